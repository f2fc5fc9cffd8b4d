"""How much of an object a picture shows: what lies in the sector, is not in shadow and stands out of its surroundings.

A label of something that nobody could see would teach a network to guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from models.ellipse_points import ellipse_points, relative_radius_squared
from synthetic.acoustics.beam_rendering import Beams
from synthetic.acoustics.geometry import Scanner, View, beam_grid_coordinates, plane_to_beams

__all__ = ["VISIBILITY", "Visibility", "VisibilityRule", "outline_visibility"]


@dataclass(frozen=True)
class VisibilityRule:
    """When a part of an outline counts as shown. Common practice, no source.

    deep_shadow_db : two-way loss from which on a part lies in deep shadow
    min_contrast : standard deviations of the speckle around it by which the rim of a part, or the step from inside to
    outside, must exceed its surroundings;  min_grey_step : the same in grey, since on a dark screen even a clear step
    is lost. The steps of an object count only if they go the same way, up or down: chance draws steps of both kinds
    all along a line.
    parts : of an outline;  angles_per_part : places in each
    inside, rim, outside : radii at which an object is sampled, as shares of its own
    """

    deep_shadow_db: float = 20.0
    min_contrast: float = 1.0
    min_grey_step: float = 0.03
    parts: int = 8
    angles_per_part: int = 4
    inside: tuple[float, float, float] = (0.55, 0.7, 0.85)
    rim: tuple[float, float, float] = (0.94, 1.0, 1.06)
    outside: tuple[float, float, float] = (1.18, 1.34, 1.5)


VISIBILITY = VisibilityRule()
_RADII = (*VISIBILITY.inside, *VISIBILITY.rim, *VISIBILITY.outside)
_ON_OUTLINE = _RADII.index(1.0)


@dataclass(frozen=True)
class Visibility:
    """Shares of each object's outline, 0 to 1; each (B, L).

    in_sector : in the sector and in the picture;  unshadowed : of these, not in deep shadow
    distinct : in the sector and standing out of the surroundings, as a wall may that is bright enough to show in a
    shadow;  distinct_unshadowed : the same, and not in deep shadow
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
    """What pictures of (height, width) px show of (B, L, 5) ellipses in plane mm.

    is_target : (B, L) bool, eggs and follicles. They are never counted as the surroundings of another object, because
    in a cluster each stands out of the tissue and not of its neighbours
    grey : (B, lines, samples) in [0, 1], what the screen shows of the beams
    """
    turn = torch.arange(VISIBILITY.parts * VISIBILITY.angles_per_part, device=ellipses.device)
    turn = turn * (2 * torch.pi / len(turn))
    radii = ellipses.new_tensor(_RADII)[:, None]
    cx, cz, a, b, degrees = (part[..., None, None] for part in ellipses.unbind(-1))
    x, z = ellipse_points(cx, cz, (a * radii, b * radii), torch.deg2rad(degrees), turn)  # (B, L, R, P) mm
    across, depth = plane_to_beams(scanner, x, z)
    share = depth / scanner.depth_mm[:, None, None, None]
    px = view.face_x_px[:, None, None, None] + x / view.mm_per_px[:, None, None, None]
    py = view.face_y_px[:, None, None, None] + z / view.mm_per_px[:, None, None, None]
    shown = (across.abs() <= 1) & (share > 0) & (share <= 1)
    shown &= (px >= 0) & (px <= width - 1) & (py >= 0) & (py <= height - 1)

    place = beam_grid_coordinates(across, share, beams.loss_db.shape[-1]).nan_to_num(2.0).flatten(2, 3)
    both = torch.stack([beams.loss_db, grey], 1)
    read: Tensor = functional.grid_sample(both, place, align_corners=True, padding_mode="border")
    loss, level = read.unflatten(3, x.shape[2:]).unbind(1)  # (B, L, R, P) each
    in_sector = shown[:, :, _ON_OUTLINE]  # (B, L, P)
    unshadowed = in_sector & (loss[:, :, _ON_OUTLINE] < VISIBILITY.deep_shadow_db)
    usable = shown.clone()
    outside = np.s_[:, :, -len(VISIBILITY.outside) :]
    usable[outside] &= ~_within_another(ellipses, is_target, x[outside], z[outside])
    has_rim, brighter, darker = (
        part.repeat_interleave(VISIBILITY.angles_per_part, -1) for part in _distinct_parts(level, usable)
    )
    distinct_unshadowed, distinct = (
        torch.maximum(((has_rim | brighter) & where).float().mean(-1), ((has_rim | darker) & where).float().mean(-1))
        for where in (unshadowed, in_sector)
    )
    return Visibility(in_sector.float().mean(-1), unshadowed.float().mean(-1), distinct_unshadowed, distinct)


def _within_another(ellipses: Tensor, is_target: Tensor, x: Tensor, z: Tensor) -> Tensor:
    """(B, L, R, P) bool: which places around each of L ellipses lie within another one that is a target."""
    others = ellipses[:, None, None, None]  # (B, 1, 1, 1, L, 5)
    within = relative_radius_squared(others, x[..., None], z[..., None]) < 1
    itself = torch.eye(ellipses.shape[1], dtype=torch.bool, device=x.device)[:, None, None, :]
    return (within & is_target[:, None, None, None, :] & ~itself).any(-1)


def _distinct_parts(level: Tensor, usable: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Which parts of the outlines have a bright rim, are brighter inside than outside, and are darker inside.

    level : (B, L, R, P) grey;  usable : the same, bool, which places belong to the object or its surroundings
    Each result is (B, L, parts). A part without surroundings of its own is compared with those of the other parts.
    """
    parts = VISIBILITY.parts
    zones = level.unflatten(3, (parts, -1)).unflatten(2, (3, -1))  # (B, L, 3, R / 3, parts, P / parts)
    weight = usable.unflatten(3, (parts, -1)).unflatten(2, (3, -1)).to(level.dtype)
    count = weight.sum((3, 5))
    mean = (zones * weight).sum((3, 5)) / count.clamp(min=1)  # (B, L, 3, parts)
    # Only outside: the inside of a small egg is half rim and has no plain speckle.
    deviation = (zones[:, :, 2] - mean[:, :, 2, None, :, None]) * weight[:, :, 2]
    variance = deviation.square().sum((2, 4)) / (count[:, :, 2] - 1).clamp(min=1)  # (B, L, parts)
    # A rim is thin: at each angle the brightest of three radii counts. The same holds for the other zones, so that
    # chance favours none.
    ridge = (zones * weight).amax(3).sum(-1) / weight.amax(3).sum(-1).clamp(min=1)
    inner, rim, outer = ridge.unbind(2)
    within, _, outside = mean.unbind(2)
    has_outside = count[:, :, 2] > 0
    speckle = _mean_where(has_outside, variance).sqrt()
    outer, outside = (torch.where(has_outside, value, _mean_where(has_outside, value)) for value in (outer, outside))
    comparable = (count[:, :, 0] > 0) & has_outside.any(-1, keepdim=True)
    least = (VISIBILITY.min_contrast * speckle).clamp(min=VISIBILITY.min_grey_step)
    step = within - outside
    has_rim = comparable & (rim - torch.maximum(inner, outer) > least)
    return has_rim, comparable & (step > least), comparable & (step < -least)


def _mean_where(chosen: Tensor, values: Tensor) -> Tensor:
    """(B, L, 1) mean of (B, L, parts) over the chosen ones; 0 where nothing is chosen."""
    return (values * chosen).sum(-1, keepdim=True) / chosen.sum(-1, keepdim=True).clamp(min=1)
