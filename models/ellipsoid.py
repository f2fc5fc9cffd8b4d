"""Plane sections of ellipsoids, batched in torch so that phantoms can be labelled where they are rendered.

An ellipsoid is a centre (3,) and a shape matrix (3, 3): the points p with (p - c)' M (p - c) = 1. A plane is an
origin and two perpendicular unit vectors u and v that span it; plane coordinates are (x, y) with p = o + x u + y v.

A tube is an ellipsoid moved along a piece of parabola, c + t a + bend t^2 / 2 n for t from -half length to half length,
with a and n its first and second axis.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.ellipse_tensors import eigenvalues, major_direction

__all__ = ["nearest_ellipsoid", "section"]


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


def nearest_ellipsoid(
    centre: Tensor, rotation: Tensor, half_length: Tensor, bend: Tensor, origin: Tensor, u: Tensor, v: Tensor
) -> Tensor:
    """(..., 3) the centre of the ellipsoid along each tube that lies nearest to the plane; ellipsoids keep theirs.

    centre (..., 3), rotation (..., 3, 3) whose columns are the axes, half_length, bend (...), origin, u, v (..., 3).

    The height above the plane is a quadratic in t: it is least at a root, at its vertex or at an end.
    """
    normal = torch.linalg.cross(*torch.broadcast_tensors(u, v))
    axis, side = rotation[..., 0], rotation[..., 1]
    start = ((centre - origin) * normal).sum(-1)
    slope = (axis * normal).sum(-1)
    curvature = 0.5 * bend * (side * normal).sum(-1)
    # Stable where the curvature vanishes: one root divides by it, the other one by this sum.
    root = (slope * slope - 4 * curvature * start).clamp(min=0).sqrt()
    half_sum = -0.5 * (slope + torch.where(slope < 0, -root, root))
    candidates = [half_sum / curvature, start / half_sum, -0.5 * slope / curvature, -half_length, half_length]
    t = torch.stack(torch.broadcast_tensors(*candidates), -1).nan_to_num(0.0)
    t = torch.minimum(torch.maximum(t, -half_length[..., None]), half_length[..., None])
    height = start[..., None] + t * (slope[..., None] + t * curvature[..., None])
    t = t.gather(-1, height.abs().argmin(-1, keepdim=True))
    return centre + t * axis + 0.5 * bend[..., None] * t * t * side
