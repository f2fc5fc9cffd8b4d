"""How far objects stand out of their surroundings in a picture: the signal-to-noise ratio of a disc in speckle.

The difference of the mean grey inside and around an object, over the standard deviation around it, grows with the
square root of the number of independent speckle cells that the object covers (Smith, Wagner, Sandrik and Lopez, IEEE
Trans Sonics Ultrason 30:164, 1983).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from models.ellipse_points import ellipse_points, relative_radius_squared

__all__ = ["contrast_snr"]

# Radii as shares of the object's own. The outline itself is left out: a wall is neither inside nor surroundings.
# Judgement, no source, as are the other constants.
_INSIDE = (0.0, 0.85)
_RING = (1.15, 1.5)
# Within this share of the radius of another object, a point is not surroundings.
_OTHER_OBJECT = 1.1
# Grey up to 4 of 255 is screen, shadow or lack of gain, which has no speckle.
_BLACK = 4.5 / 255
_MIN_DEVIATION = 1 / 255
# The side of one independent speckle cell is the height of the picture over this number: 10 px of 480.
_CELLS_PER_HEIGHT = 48
# Least areas that are measured, in cells.
_MIN_INSIDE_CELLS, _MIN_RING_CELLS = 0.2, 0.6
_INSIDE_POINTS, _RING_POINTS = 256, 320
# Places whose losses differ by no more lie in about the same shadow.
_SAME_SHADOW_DB = 6.0
_GOLDEN_ANGLE = math.pi * (3 - math.sqrt(5))


def contrast_snr(pictures: Tensor, ellipses: Tensor, is_object: Tensor, *, loss_db: Tensor | None = None) -> Tensor:
    """(B, L) signal-to-noise ratios of objects in pictures, at least 0.

    NaN for rows that are no object, and where too little of the inside or of the surroundings can be measured: what
    lies outside the picture counts for neither, and what is black or lies on another object is no surroundings.

    pictures : (B, H, W) grey in [0, 1];  ellipses : (B, L, 5) px
    is_object : (B, L) bool, False for rows without an object, whose ellipses may have any finite values
    loss_db : (B, H, W) sound lost on the way to each pixel, if known. Then only what lies in about the same shadow is
    compared, or the edge of a shadow that crosses an object would be taken for its contrast
    """
    cell = pictures.shape[1] / _CELLS_PER_HEIGHT
    area = math.pi * ellipses[..., 2] * ellipses[..., 3] / cell**2  # (B, L) cells
    inner = _points_between(ellipses, *_INSIDE, _INSIDE_POINTS)
    outer = _points_between(ellipses, *_RING, _RING_POINTS)
    (inside, is_inside), (ring, is_ring) = _read_at(pictures, *inner), _read_at(pictures, *outer)
    is_ring = is_ring & (ring > _BLACK) & ~_on_another(ellipses, is_object, *outer)
    if loss_db is not None:
        (inside_loss, _), (ring_loss, _) = _read_at(loss_db, *inner), _read_at(loss_db, *outer)
        usual_loss = inside_loss.median(-1, keepdim=True).values
        is_inside = is_inside & ((inside_loss - usual_loss).abs() <= _SAME_SHADOW_DB)
        is_ring = is_ring & ((ring_loss - usual_loss).abs() <= _SAME_SHADOW_DB)

    inside_cells = area * (_INSIDE[1] ** 2 - _INSIDE[0] ** 2) * is_inside.float().mean(-1)
    ring_cells = area * (_RING[1] ** 2 - _RING[0] ** 2) * is_ring.float().mean(-1)
    around = _mean(ring, is_ring)
    deviation = _mean((ring - around[..., None]).square(), is_ring).sqrt().clamp(min=_MIN_DEVIATION)
    snr = (_mean(inside, is_inside) - around).abs() / deviation * inside_cells.sqrt()
    is_measured = is_object & (inside_cells >= _MIN_INSIDE_CELLS) & (ring_cells >= _MIN_RING_CELLS)
    return torch.where(is_measured, snr, torch.nan)


def _points_between(ellipses: Tensor, low: float, high: float, points: int) -> tuple[Tensor, Tensor]:
    """x and y, (B, L, points) each, evenly spread over the area between two shares of each radius.

    On a spiral with steps of the golden angle (Vogel, Math Biosci 44:179, 1979, from memory).
    """
    step = torch.arange(points, device=ellipses.device, dtype=ellipses.dtype)
    radius = (low**2 + (step + 0.5) / points * (high**2 - low**2)).sqrt()
    x, y, a, b, degrees = (part[..., None] for part in ellipses.unbind(-1))
    return ellipse_points(x, y, (a * radius, b * radius), torch.deg2rad(degrees), step * _GOLDEN_ANGLE)


def _read_at(maps: Tensor, x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """(B, L, P) values of (B, H, W) maps at points in px, and which of the points lie in them."""
    last_x, last_y = maps.shape[2] - 1, maps.shape[1] - 1
    # The nearest pixel: a mean of several would have less deviation than the speckle.
    place = torch.stack([2 * x / last_x - 1, 2 * y / last_y - 1], -1)
    values = functional.grid_sample(maps[:, None], place, mode="nearest", padding_mode="border", align_corners=True)
    return values[:, 0], (x >= 0) & (x <= last_x) & (y >= 0) & (y <= last_y)


def _on_another(ellipses: Tensor, is_object: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """(B, L, P) whether points about each of L ellipses lie on another one that is an object, or near it."""
    others = ellipses[:, None, None]  # (B, 1, 1, L, 5)
    within = relative_radius_squared(others, x[..., None], y[..., None]) <= _OTHER_OBJECT**2
    itself = torch.eye(ellipses.shape[1], dtype=torch.bool, device=x.device)[:, None, :]
    return (within & is_object[:, None, None, :] & ~itself).any(-1)


def _mean(values: Tensor, chosen: Tensor) -> Tensor:
    """(B, L) mean of (B, L, P) over the chosen ones; 0 where none is."""
    return torch.where(chosen, values, 0).sum(-1) / chosen.sum(-1).clamp(min=1)
