"""The signs of a shell in one picture: its wall, the shadow behind it, and what lies inside.

All are differences of grey levels of the screen, 0 to 255, against tissue beside the egg, so that gain and depth gain
fall out of them. Places in another object's outline or shadow are left out. What cannot be told is NaN.

    rim        the wall nearest to the probe, where the beams meet it about squarely: the brightest level across it,
               less the middle level of what lies around the egg and not behind it
    rim_px     how thick that bright line is between its half heights, along the beam
    shadow     the mean level beside the egg at the depths behind it, less the mean level behind it; above 0: darker
    interior   the middle level inside, less that of what lies around
    middle     the middle level of the innermost third, less that of the rest inside: a yolk, or a dark core
    unevenness the standard deviation inside

Shell, shadow and inside are what stages are told by (Casares et al. 1997, J Zoo Wildl Med 28:267, from memory); the
shares of the outline below are common practice, without a source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.beam_coordinates import BeamCoordinates, BeamExtent

__all__ = ["ShellSigns", "measure_signs", "median_signs"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The surroundings, in half breadths across and half depths along, from the middle of the outline.
_ACROSS = np.linspace(-2.0, 2.0, 33)
_ALONG = np.linspace(-2.0, 3.6, 43)
_SQUARELY = 0.4  # of the half breadth: beams so near the middle meet the wall about squarely
_WALL_BEAMS = np.linspace(-_SQUARELY, _SQUARELY, 15)
_WALL_GROUPS = 3  # beams side by side are averaged first, or speckle alone would have a bright wall
_WALL_REACH = 0.45  # of the half depth, to either side of the outline, looked at ...
_WALL_SEARCH = 0.25  # ... and searched for the wall, since an outline is never drawn exactly
_LEAST_SAMPLES = 20
_LEAST_ROWS = 6
_BLACK = 12.0  # grey levels; where even the tissue beside is as dark, no shadow can be told
_LEAST_WALL = 20.0  # grey levels above both sides for a line to have a thickness
_WHITE, _NO_ECHO = 250.0, 3.0  # grey levels; beyond them a screen shows no difference


@dataclass(frozen=True)
class ShellSigns:
    """Grey levels but for rim_px, as the module says; NaN where not to be told.

    rim_saturated_share : share of the wall that is as white as the screen gets: then it may be brighter than shown
    shadow_black_share : share of the shadow that is as black as the screen gets: then it may be deeper than shown
    frames : how many pictures they are the median of
    """

    rim: float
    rim_px: float
    shadow: float
    interior: float
    middle: float
    unevenness: float
    rim_saturated_share: float
    shadow_black_share: float
    frames: int = 1


def measure_signs(grey: NDArray[np.uint8], beams: BeamCoordinates, ellipses: Floats, row: int) -> ShellSigns | None:
    """The signs of the object in one row of all the outlines (N, 5) of a picture (H, W).

    None where too little of it can be seen: it lies in another's shadow, or at the edge of the sector.
    """
    others = beams.extents(ellipses)
    ellipse, extent = ellipses[row], others.pop(row)
    if extent.half_depth < 3 or extent.half_breadth <= 0:
        return None
    beam = (extent.middle_beam + extent.half_breadth * _ACROSS)[:, None]
    depth = ((extent.near_depth + extent.far_depth) / 2 + extent.half_depth * _ALONG)[None]
    levels, clear = _levels(grey, beams, beam, depth, others)
    out = _outwardness(ellipse, *beams.to_xy(beam, depth))
    across, along = np.abs(_ACROSS)[:, None], _ALONG[None]
    inside = clear & (out < 0.75)
    around = clear & (out > 1.2) & (out < 1.9) & ~((across < 1.2) & (along > 0))
    if inside.sum() < 0.6 * (out < 0.75).sum() or around.sum() < _LEAST_SAMPLES:
        return None
    level = float(np.median(levels[around]))
    interior = float(np.median(levels[inside]))
    core, shell_side = inside & (out < 0.35), inside & (out > 0.45)
    rim, rim_px, white = _wall(grey, beams, ellipse, extent, others)
    beyond = clear & (out > 1.15) & (along > 0)
    shadow, black = _shadow(levels, beyond & (across < 0.6), beyond & (across > 1.25))
    return ShellSigns(
        rim=rim - level,
        rim_px=rim_px,
        shadow=shadow,
        interior=interior - level,
        middle=float(np.median(levels[core]) - np.median(levels[shell_side])) if core.any() else np.nan,
        unevenness=float(levels[inside].std()),
        rim_saturated_share=white,
        shadow_black_share=black,
    )


def median_signs(several: list[ShellSigns]) -> ShellSigns:
    """The median of each sign over the pictures in which it could be told."""

    def median(name: str) -> float:
        told = [value for one in several if not np.isnan(value := getattr(one, name))]
        return float(np.median(told)) if told else float("nan")

    told = {field.name: median(field.name) for field in fields(ShellSigns) if field.name != "frames"}
    return ShellSigns(**told, frames=sum(one.frames for one in several))


def _levels(
    grey: NDArray[np.uint8], beams: BeamCoordinates, beam: Floats, depth: Floats, others: list[BeamExtent]
) -> tuple[Floats, Mask]:
    """(B, S) grey levels at beams and depths, and whether each place shows tissue that nothing else hides."""
    x, y = (np.ascontiguousarray(part, np.float32) for part in beams.to_xy(beam, depth))
    levels = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    mask = beams.sector.mask.view(np.uint8)
    clear = cv2.remap(mask, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT) > 0
    for other in others:
        clear &= ~((beam > other.first_beam) & (beam < other.last_beam) & (depth > other.near_depth))
    return np.asarray(levels, np.float64), clear


def _outwardness(ellipse: Floats, x: Floats, y: Floats) -> Floats:
    """0 at the middle of an outline, 1 on it."""
    angle = np.deg2rad(ellipse[4])
    dx, dy = x - ellipse[0], y - ellipse[1]
    along, across = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
    return np.asarray(np.hypot(along / ellipse[2], across / ellipse[3]))


def _shadow(levels: Floats, behind: Mask, beside: Mask) -> tuple[float, float]:
    """How much darker behind than beside, and the share that is black.

    Depth by depth, since gain changes with it; both must be seen there.
    """
    rows = np.minimum(behind.sum(0), beside.sum(0)) >= 3
    rows[rows] = (levels * beside).sum(0)[rows] / beside.sum(0)[rows] > _BLACK
    if rows.sum() < _LEAST_ROWS:
        return float("nan"), float("nan")
    dark, light = ((levels * mask).sum(0)[rows] / mask.sum(0)[rows] for mask in (behind, beside))
    black = levels[:, rows][behind[:, rows]] <= _NO_ECHO
    return float((light - dark).mean()), float(black.mean())


def _wall(
    grey: NDArray[np.uint8], beams: BeamCoordinates, ellipse: Floats, extent: BeamExtent, others: list[BeamExtent]
) -> tuple[float, float, float]:
    """Level of the near wall, its thickness in px, and the share of it that is white."""
    nothing = float("nan"), float("nan"), float("nan")
    beam = extent.middle_beam + extent.half_breadth * _WALL_BEAMS
    step = max(0.5, extent.half_depth / 40)
    offsets = np.arange(-_WALL_REACH * extent.half_depth, _WALL_REACH * extent.half_depth + step, step)
    levels, clear = _levels(grey, beams, beam[:, None], beams.entry_depths(ellipse, beam)[:, None] + offsets, others)
    profiles, seen = (part.reshape(_WALL_GROUPS, -1, len(offsets)) for part in (levels, clear))
    searched = np.abs(offsets) <= max(_WALL_SEARCH * extent.half_depth, 3.0)
    peaks, widths, whites = [], [], []
    for profile, whole in zip(profiles, seen, strict=True):
        if not whole.all():
            continue
        mean = profile.mean(0)
        top = int(np.argmax(np.where(searched, mean, -1.0)))
        peaks.append(float(mean[top]))
        whites.append(float((profile[:, searched].max(1) >= _WHITE).mean()))
        widths.append(step * beams.px_per_depth * _width_at_half(mean, top))
    if not peaks:
        return nothing
    known = [width for width in widths if not np.isnan(width)]
    return float(np.mean(peaks)), float(np.median(known)) if known else float("nan"), float(np.mean(whites))


def _width_at_half(profile: Floats, top: int) -> float:
    """In samples, above the brighter of the two sides; NaN where the line does not stand out of both."""
    sides = profile[: max(top, 1)], profile[top + 1 :]
    # The line itself is part of either side, so not their middle level.
    base = max((float(np.quantile(side, 0.25)) for side in sides if len(side)), default=0.0)
    if profile[top] - base < _LEAST_WALL:
        return float("nan")
    half = (profile[top] + base) / 2
    ends = []
    for side in (profile[top::-1], profile[top:]):
        below = np.flatnonzero(side < half)
        if not len(below):
            return float("nan")
        last = int(below[0]) - 1
        ends.append(last + (side[last] - half) / (side[last] - side[last + 1]))
    return float(sum(ends))
