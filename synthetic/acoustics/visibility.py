"""How much of an object a picture shows: what lies in the sector, what is lit, what stands out of its surroundings.

A label of something that nobody could see teaches a network to guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from synthetic.acoustics.beam_rendering import Beams
from synthetic.acoustics.geometry import Scanner, View, beam_grid_coordinates, plane_to_beams

__all__ = ["Visibility", "outline_visibility"]

DEEP_SHADOW_DB = 20.0
# A part of an outline stands out if, there, the rim or the step from inside to outside exceeds this many standard
# deviations of the speckle around it, and this much grey: on a dark screen even a clear step is lost. The steps of an
# object count if they go the same way, up or down: chance draws steps of both kinds all along a line.
MIN_CONTRAST = 1.0
MIN_GREY_STEP = 0.03
_PARTS = 8
_ANGLES = 4 * _PARTS
# Where an object is looked at, as shares of its radius: inside, on the rim, outside.
_RADII = ((0.55, 0.7, 0.85), (0.94, 1.0, 1.06), (1.18, 1.34, 1.5))


@dataclass(frozen=True)
class Visibility:
    """Each (B, L), shares of the outline, 0 to 1: in the sector; lit (and in the sector); standing out of its
    surroundings (and lit); standing out, lit or not, as a wall does that is bright enough to show in a shadow.
    """

    in_sector: Tensor
    unshadowed: Tensor
    distinct_unshadowed: Tensor
    distinct: Tensor


def outline_visibility(
    ellipses: Tensor,
    is_target: Tensor,
    beams: Beams,
    grey: Tensor,
    scanner: Scanner,
    view: View,
    height: int,
    width: int,
) -> Visibility:
    """What pictures of (height, width) px show of (B, L, 5) ellipses in plane mm; grey (B, lines, samples) in [0, 1]
    is what the screen makes of the beams.

    is_target : (B, L) bool, eggs and follicles: nothing of them is held for the surroundings of another object, since in
    a cluster each is told from the tissue, not from its like
    """
    turn = torch.arange(_ANGLES, device=ellipses.device) * (2 * torch.pi / _ANGLES)
    radii = ellipses.new_tensor(_RADII).flatten()
    cx, cy, a, b, degrees = (part[..., None, None] for part in ellipses.unbind(-1))
    angle = torch.deg2rad(degrees)
    along = a * radii[:, None] * torch.cos(turn)  # (B, L, R, P)
    over = b * radii[:, None] * torch.sin(turn)
    x = cx + along * torch.cos(angle) - over * torch.sin(angle)  # mm
    z = cy + along * torch.sin(angle) + over * torch.cos(angle)
    across, depth = plane_to_beams(scanner, x, z)
    share = depth / scanner.depth_mm[:, None, None, None]
    px = view.face_x_px[:, None, None, None] + x / view.mm_per_px[:, None, None, None]
    py = view.face_y_px[:, None, None, None] + z / view.mm_per_px[:, None, None, None]
    inside = (across.abs() <= 1) & (share > 0) & (share <= 1)
    inside &= (px >= 0) & (px <= width - 1) & (py >= 0) & (py <= height - 1)

    place = beam_grid_coordinates(across, share, beams.loss_db.shape[-1]).nan_to_num(2.0).flatten(2, 3)
    both = torch.stack([beams.loss_db, grey], 1)
    read: Tensor = functional.grid_sample(both, place, align_corners=True, padding_mode="border")
    loss, level = read.unflatten(3, x.shape[2:]).unbind(1)  # (B, L, R, P) each
    on_outline = len(_RADII[0]) + 1
    in_sector = inside[:, :, on_outline]  # (B, L, P)
    lit = in_sector & (loss[:, :, on_outline] < DEEP_SHADOW_DB)
    known = inside.clone()
    around = np.s_[:, :, -len(_RADII[2]) :]
    known[around] &= ~_within(ellipses, is_target, x[around], z[around])
    rim, brighter, darker = (part.repeat_interleave(_ANGLES // _PARTS, -1) for part in _stands_out(level, known))
    distinct_unshadowed, distinct = (
        torch.maximum(((rim | brighter) & where).float().mean(-1), ((rim | darker) & where).float().mean(-1))
        for where in (lit, in_sector)
    )
    return Visibility(in_sector.float().mean(-1), lit.float().mean(-1), distinct_unshadowed, distinct)


def _within(ellipses: Tensor, is_target: Tensor, x: Tensor, z: Tensor) -> Tensor:
    """Of places (B, L, R, P) about each of L ellipses, which lie within another one that is a fellow."""
    cx, cz, a, b, degrees = (part[:, None, None, None, :] for part in ellipses.unbind(-1))  # (B, 1, 1, 1, L)
    cosine, sine = torch.cos(torch.deg2rad(degrees)), torch.sin(torch.deg2rad(degrees))
    aside, down = x[..., None] - cx, z[..., None] - cz
    along, over = (aside * cosine + down * sine) / a, (down * cosine - aside * sine) / b
    own = torch.eye(ellipses.shape[1], dtype=torch.bool, device=x.device)[:, None, None, :]
    return ((along.square() + over.square() < 1) & is_target[:, None, None, None, :] & ~own).any(-1)


def _stands_out(level: Tensor, seen: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Of grey levels and what of them can be held for the object or its surroundings, (B, L, R, P) each: which parts of
    the outlines (B, L, parts) have a bright rim, are brighter inside than outside, are darker.

    Where a part has no surroundings of its own, those of the other parts stand for them.
    """
    zones = level.unflatten(3, (_PARTS, -1)).unflatten(2, (3, -1))  # (B, L, 3, R / 3, parts, P / parts)
    weight = seen.unflatten(3, (_PARTS, -1)).unflatten(2, (3, -1)).to(level.dtype)
    count = weight.sum((3, 5))
    mean = (zones * weight).sum((3, 5)) / count.clamp(min=1)  # (B, L, 3, parts)
    # Outside alone: the inside of a small egg is half rim and knows no plain speckle.
    deviation = (zones[:, :, 2] - mean[:, :, 2, None, :, None]) * weight[:, :, 2]
    variance = deviation.square().sum((2, 4)) / (count[:, :, 2] - 1).clamp(min=1)  # (B, L, parts)
    # A rim is thin: of each radius the brightest of three, in the other zones too, so that chance favours none.
    ridge = (zones * weight).amax(3).sum(-1) / weight.amax(3).sum(-1).clamp(min=1)
    inner, rim, outer = ridge.unbind(2)
    within, _, outside = mean.unbind(2)
    alone = count[:, :, 2] > 0
    speckle = _mean_where(alone, variance).sqrt()
    outer, outside = (torch.where(alone, value, _mean_where(alone, value)) for value in (outer, outside))
    known = (count[:, :, 0] > 0) & alone.any(-1, keepdim=True)
    least = (MIN_CONTRAST * speckle).clamp(min=MIN_GREY_STEP)
    step = within - outside
    return known & (rim - torch.maximum(inner, outer) > least), known & (step > least), known & (step < -least)


def _mean_where(chosen: Tensor, values: Tensor) -> Tensor:
    """(B, L, 1) of (B, L, parts); 0 where nothing is chosen."""
    return (values * chosen).sum(-1, keepdim=True) / chosen.sum(-1, keepdim=True).clamp(min=1)
