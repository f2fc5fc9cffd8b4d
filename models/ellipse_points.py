"""Points on and around ellipses as tensors, for pictures that are rendered and labelled on a GPU.

The conventions and formulas are those of :mod:`models.ellipse`: x to the right and y down, the longer semi-axis first,
angles from +x towards +y.
"""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["ellipse_points", "relative_radius_squared"]


def ellipse_points(
    x: Tensor, y: Tensor, semi_axes: tuple[Tensor, Tensor], angle_rad: Tensor, turn_rad: Tensor
) -> tuple[Tensor, Tensor]:
    """x and y of the points at eccentric angles ``turn_rad`` of ellipses about (x, y); all broadcast together."""
    along, across = semi_axes[0] * torch.cos(turn_rad), semi_axes[1] * torch.sin(turn_rad)
    cosine, sine = torch.cos(angle_rad), torch.sin(angle_rad)
    return x + along * cosine - across * sine, y + along * sine + across * cosine


def relative_radius_squared(ellipses: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """Squared distance of points (x, y) from the middles of ellipses (..., 5), over the radius in their direction.

    Below 1 a point lies inside. x and y broadcast against the ellipses' leading dimensions.
    """
    cx, cy, semi_major, semi_minor, degrees = ellipses.unbind(-1)
    cosine, sine = torch.cos(torch.deg2rad(degrees)), torch.sin(torch.deg2rad(degrees))
    dx, dy = x - cx, y - cy
    along, across = (dx * cosine + dy * sine) / semi_major, (dy * cosine - dx * sine) / semi_minor
    return along.square() + across.square()
