"""Ellipses in torch, for training and rendering on a GPU; models.ellipse has the same formulas in numpy.

A symmetric 2 x 2 matrix is given by its entries xx, yy and xy. Ellipses are rows
[cx, cy, semi-major, semi-minor, degrees] as in models.ellipse.
"""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["eigenvalues", "log_semi_axes", "major_direction", "to_log_matrix"]


def eigenvalues(xx: Tensor, yy: Tensor, xy: Tensor) -> tuple[Tensor, Tensor]:
    """(...) larger and smaller eigenvalue of symmetric matrices with entries (...)."""
    mean, radius = (xx + yy) / 2, torch.hypot((xx - yy) / 2, xy)
    return mean + radius, mean - radius


def major_direction(xx: Tensor, yy: Tensor, xy: Tensor) -> Tensor:
    """(...) direction of the eigenvector of the larger eigenvalue, in degrees, in [-90, 90]."""
    return torch.rad2deg(torch.atan2(xy, (xx - yy) / 2)) / 2


def to_log_matrix(ellipses: Tensor) -> Tensor:
    """(..., 3) entries xx, yy and xy of the matrix logarithm of ellipses (..., 5), see models.ellipse.to_log_matrix."""
    angle = torch.deg2rad(ellipses[..., 4])
    cosine, sine = torch.cos(angle), torch.sin(angle)
    log_a, log_b = ellipses[..., 2].log(), ellipses[..., 3].log()
    xx = log_a * cosine**2 + log_b * sine**2
    yy = log_a * sine**2 + log_b * cosine**2
    return torch.stack([xx, yy, (log_a - log_b) * cosine * sine], dim=-1)


def log_semi_axes(log_matrix: Tensor) -> Tensor:
    """(B, 2, ...) logarithms of the semi-major and the semi-minor axis of matrix logarithms (B, 3, ...)."""
    return torch.stack(eigenvalues(*log_matrix.unbind(1)), 1)
