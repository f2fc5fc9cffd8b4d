"""Labels drawn as masks, as other networks take them."""

from __future__ import annotations

from itertools import pairwise

import torch
from torch import Tensor

from models.targets import Labels, Role

__all__ = ["boxes_of_masks", "object_masks", "pixel_classes"]

_PICTURES_AT_ONCE = 32  # whose masks are in memory together


def object_masks(ellipses: Tensor, side: int) -> Tensor:
    """(..., side, side) bool, the pixels inside each of the ellipses (..., 5)."""
    cx, cy, a, b, degrees = (column[..., None, None] for column in ellipses.unbind(-1))
    pixel = torch.arange(side, device=ellipses.device, dtype=ellipses.dtype)
    x, y = pixel - cx, pixel[:, None] - cy
    cosine, sine = torch.cos(torch.deg2rad(degrees)), torch.sin(torch.deg2rad(degrees))
    return ((x * cosine + y * sine) / a) ** 2 + ((y * cosine - x * sine) / b) ** 2 <= 1


def boxes_of_masks(masks: Tensor) -> Tensor:
    """(..., 4) int64, left, top, right, bottom of masks (..., side, side), the last two beyond the last pixel."""
    side = masks.shape[-1]
    pixel = torch.arange(side, device=masks.device)
    columns, rows = masks.any(-2), masks.any(-1)
    first = [torch.where(covered, pixel, side).amin(-1) for covered in (columns, rows)]
    last = [torch.where(covered, pixel, -1).amax(-1) + 1 for covered in (columns, rows)]
    return torch.stack([*first, *last], -1)


def pixel_classes(labels: Labels, side: int, *, ignored: int) -> Tensor:
    """(B, side, side) int64: 0 where there is nothing, else 1 + the stage of the object, the last one drawn on top.

    ignored : the class of pixels where only an object lies that does not count
    """
    ends = [*range(0, len(labels.role), _PICTURES_AT_ONCE), len(labels.role)]
    parts = []
    for begin, end in pairwise(ends):
        role, stage = labels.role[begin:end], labels.stage[begin:end]
        masks = object_masks(labels.ellipses[begin:end], side)
        is_target, is_ignored = ((role == wanted)[..., None, None] & masks for wanted in (Role.TARGET, Role.IGNORED))
        places = torch.arange(1, role.shape[1] + 1, device=role.device, dtype=torch.int16)
        above, top = (is_target * places[:, None, None]).max(1)
        classes = (stage + 1).gather(1, top.flatten(1)).view_as(top)
        below = torch.where(is_ignored.any(1), ignored, 0)
        parts.append(torch.where(above > 0, classes, below))
    return torch.cat(parts)
