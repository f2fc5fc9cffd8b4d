"""Plane sections of ellipsoids, batched in torch so that phantoms can be labelled where they are rendered.

An ellipsoid is a centre (3,) and a shape matrix (3, 3): the points p with (p - c)' M (p - c) = 1. A plane is an
origin and two perpendicular unit vectors u and v that span it; plane coordinates are (x, y) with p = o + x u + y v.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.ellipse_tensors import eigenvalues, major_direction

__all__ = ["section"]


def section(centre: Tensor, shape: Tensor, origin: Tensor, u: Tensor, v: Tensor) -> tuple[Tensor, Tensor]:
    """The ellipses in which planes cut ellipsoids.

    centre (..., 3), shape (..., 3, 3), origin, u, v (..., 3), all broadcast against each other.

    Returns ellipses (..., 5), [x, y, semi-major, semi-minor, degrees] in plane coordinates, NaN where the plane
    misses, and (...) how close the cut is to the centre: 1 through the centre, 0 where the plane touches or misses.

    With d = o - c the plane's points satisfy z'Az + 2b'z + k = 1 for A = [u v]' M [u v], b = [u v]' M d and
    k = d'Md. Completing the square gives the centre -A^-1 b and the axes from A / (1 - k + b'A^-1 b).
    """
    offset = origin - centre
    mu, mv, md = (torch.einsum("...ij,...j->...i", shape, w.expand(offset.shape)) for w in (u, v, offset))
    auu, avv, auv = (u * mu).sum(-1), (v * mv).sum(-1), (u * mv).sum(-1)
    bu, bv, k = (u * md).sum(-1), (v * md).sum(-1), (offset * md).sum(-1)
    determinant = auu * avv - auv**2
    x = -(avv * bu - auv * bv) / determinant
    y = -(auu * bv - auv * bu) / determinant
    remainder = 1 - k - (bu * x + bv * y)  # 1 - k + b'A^-1 b; negative where the plane misses
    is_cut = remainder > 0
    root = torch.where(is_cut, remainder, torch.full_like(remainder, torch.nan)).sqrt()
    # The larger eigenvalue of A belongs to the minor axis.
    larger, smaller = eigenvalues(auu, avv, auv)
    major, minor = root / smaller.sqrt(), root / larger.sqrt()
    degrees = major_direction(auu, avv, auv) + 90
    degrees = (degrees + 90) % 180 - 90
    ellipses = torch.stack([x, y, major, minor, degrees], -1)
    ellipses = torch.where(is_cut[..., None], ellipses, torch.full_like(ellipses, torch.nan))
    return ellipses, torch.where(is_cut, remainder, torch.zeros_like(remainder)).clamp(max=1).sqrt()
