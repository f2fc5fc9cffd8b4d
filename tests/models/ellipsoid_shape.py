"""The matrix of an ellipsoid, for models.ellipsoid.section."""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["shape_matrix"]


def shape_matrix(semi_axes: Tensor, rotation: Tensor) -> Tensor:
    """(..., 3, 3) R diag(1 / a^2) R' of semi-axes (..., 3) along the columns of rotations (..., 3, 3)."""
    return rotation @ torch.diag_embed(semi_axes**-2) @ rotation.transpose(-1, -2)
