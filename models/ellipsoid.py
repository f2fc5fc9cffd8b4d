"""Sections of ellipsoids by planes, batched in torch so that phantoms can be labelled where they are rendered.

An ellipsoid is a centre (3,) and a shape matrix (3, 3): the points p with (p - c)' M (p - c) = 1. A plane is an
origin and two perpendicular unit vectors u and v that span it; plane coordinates are (x, y) with p = o + x u + y v.
"""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["section", "shape_matrix"]


def shape_matrix(semi_axes: Tensor, rotation: Tensor) -> Tensor:
    """(..., 3, 3) R diag(1 / a^2) R' of semi-axes (..., 3) along the columns of rotations (..., 3, 3)."""
    return rotation @ torch.diag_embed(semi_axes**-2) @ rotation.transpose(-1, -2)


def section(centre: Tensor, shape: Tensor, origin: Tensor, u: Tensor, v: Tensor) -> tuple[Tensor, Tensor]:
    """The ellipses that planes cut out of ellipsoids.

    centre (..., 3), shape (..., 3, 3), origin, u, v (..., 3), all broadcast against each other.

    Returns ellipses (..., 5), [x, y, semi-major, semi-minor, degrees] in plane coordinates, NaN where the plane
    misses, and (...,) how near the middle the cut is: 1 through the centre, 0 where the plane touches.

    With d = o - c the plane's points obey z'Az + 2b'z + k = 1 for A = [u v]' M [u v], b = [u v]' M d and
    k = d'Md; completing the square gives the centre -A^-1 b and the axes from A / (1 - k + b'A^-1 b).
    """
    offset = origin - centre
    mu, mv, md = (torch.einsum("...ij,...j->...i", shape, w.expand(offset.shape)) for w in (u, v, offset))
    auu, avv, auv = (u * mu).sum(-1), (v * mv).sum(-1), (u * mv).sum(-1)
    bu, bv, k = (u * md).sum(-1), (v * md).sum(-1), (offset * md).sum(-1)
    determinant = auu * avv - auv**2
    x = -(avv * bu - auv * bv) / determinant
    y = -(auu * bv - auv * bu) / determinant
    room = 1 - k - (bu * x + bv * y)
    mean, difference = (auu + avv) / 2, (auu - avv) / 2
    spread = torch.hypot(difference, auv)
    crossed = room > 0
    root = torch.where(crossed, room, torch.full_like(room, torch.nan)).sqrt()
    # The larger eigenvalue of A belongs to the minor axis.
    major, minor = root / (mean - spread).sqrt(), root / (mean + spread).sqrt()
    degrees = torch.rad2deg(torch.atan2(auv, difference)) / 2 + 90
    degrees = (degrees + 90) % 180 - 90
    ellipses = torch.stack([x, y, major, minor, degrees], -1)
    ellipses = torch.where(crossed[..., None], ellipses, torch.full_like(ellipses, torch.nan))
    return ellipses, torch.where(crossed, room, torch.zeros_like(room)).clamp(max=1).sqrt()
