"""The signs of a shell in one picture: the egg's wall, the shadow behind it, and its interior.

All signs are differences of grey levels of the screen, 0 to 255, from tissue around or next to the egg, so that gain
and depth gain cancel. Parts that lie in another object's outline or shadow are left out. A sign that cannot be measured
is NaN.

    rim        the wall nearest to the probe, where the beams meet it at nearly right angles: the brightest level across
               it, minus the median level of the tissue around the egg and not behind it
    rim_px     how thick that bright line is at half its height, along the beam
    shadow     the mean level next to the egg at the depths behind it, minus the mean level behind it; above 0: darker
    interior   the median level inside, minus that of the tissue around
    middle     the median level of the core, minus that of the rest of the interior: a yolk, or a dark core
    unevenness the standard deviation inside
    wall_all_round, step_all_round
               as `pipeline.detect.border_signs` says

Shell, shadow and interior are what stages are read from (Casares et al. 1997, J Zoo Wildl Med 28:267, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.beam_coordinates import BeamCoordinates, BeamExtent
from pipeline.detect.border_signs import measure_border
from pipeline.detect.order_statistics import medians, quantile

__all__ = ["ShellSigns", "measure_signs", "median_signs"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class _Regions:
    """Which parts of the picture each sign is read from. All values are common practice, no source.

    Radii count from the centre of the outline, 1 being the outline itself. Lengths across the beams are in half widths
    of the outline, lengths along them in half depths, both from its centre.
    """

    across: tuple[float, float, int] = (-2.0, 2.0, 33)  # first, last and number of the beams that are sampled
    along: tuple[float, float, int] = (-2.0, 3.6, 43)  # first, last and number of the depths that are sampled

    interior_radius: float = 0.75
    interior_visible_share: float = 0.6  # of the interior must be visible for any sign to be read
    core_radius: float = 0.35
    outer_radius: float = 0.45  # from here to interior_radius is what the core is compared with
    around_radii: tuple[float, float] = (1.2, 1.9)
    around_half_width: float = 1.2  # across; below the centre, tissue within it may lie in the shadow
    minimum_samples: int = 20  # of the tissue around

    shadow_radius: float = 1.15  # nothing nearer to the outline belongs to the shadow
    behind_half_width: float = 0.6  # across; within it is behind the egg ...
    lateral_half_width: float = 1.25  # ... and outside it is next to the egg
    minimum_row_samples: int = 3  # beams behind the egg, and beams next to it, for a depth to count
    minimum_rows: int = 6  # depths

    minimum_half_depth_px: float = 3.0


@dataclass(frozen=True)
class _Wall:
    """How the wall is searched for. All values are common practice, no source."""

    half_width: float = 0.4  # across, in half widths; beams so near the centre meet the wall at nearly right angles
    beams: int = 15
    groups: int = 3  # neighbouring beams are averaged first, because a single one shows bright speckle as a wall
    sampled_half_depths: float = 0.45  # on either side of the outline, in half depths
    searched_half_depths: float = 0.25  # likewise; outlines are never exact
    minimum_search_px: float = 3.0
    samples_per_half_depth: int = 40
    minimum_step_px: float = 0.5
    minimum_contrast: float = 20.0  # grey levels above both sides for a line to have a thickness
    side_quantile: float = 0.25  # of the levels on a side; part of the line lies there too, so not the median


@dataclass(frozen=True)
class _Screen:
    """Limits of what a screen shows, grey levels. Common practice, no source."""

    dark: float = 12.0  # where tissue next to the egg is no brighter, no shadow can be measured
    white: float = 250.0  # from here on a screen shows no difference ...
    black: float = 3.0  # ... and neither up to here


_REGIONS, _WALL, _SCREEN = _Regions(), _Wall(), _Screen()
_ACROSS, _ALONG = np.linspace(*_REGIONS.across), np.linspace(*_REGIONS.along)
_WALL_BEAMS = np.linspace(-_WALL.half_width, _WALL.half_width, _WALL.beams)


@dataclass(frozen=True)
class ShellSigns:
    """Grey levels, except rim_px, as the module says; NaN where a sign cannot be measured.

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
    wall_all_round: float
    step_all_round: float
    frames: int = 1


def measure_signs(
    grey: NDArray[np.uint8], beams: BeamCoordinates, ellipses: Floats, rows: Sequence[int]
) -> list[ShellSigns | None]:
    """The signs of the objects in some rows of all the outlines (N, 5) of a picture (H, W).

    None where too little of an object is visible: it lies in another's shadow, or at the edge of the sector.
    """
    extents = beams.extents(ellipses) if rows else []
    return [
        _signs_of_one(grey, beams, ellipses[row], extents[row], [*extents[:row], *extents[row + 1 :]]) for row in rows
    ]


def _signs_of_one(
    grey: NDArray[np.uint8], beams: BeamCoordinates, ellipse: Floats, extent: BeamExtent, others: list[BeamExtent]
) -> ShellSigns | None:
    if extent.half_depth < _REGIONS.minimum_half_depth_px or extent.half_width <= 0:
        return None
    beam = (extent.centre_beam + extent.half_width * _ACROSS)[:, None]
    depth = (extent.centre_depth + extent.half_depth * _ALONG)[None]
    x, y = beams.to_xy(beam, depth)
    visible = _in_sector(beams, x, y) & ~_hidden(beam, depth, others)
    radius = _radius(ellipse, x, y)
    across, below_centre = np.abs(_ACROSS)[:, None], _ALONG[None] > 0
    interior = radius < _REGIONS.interior_radius
    inside = visible & interior
    if inside.sum() < _REGIONS.interior_visible_share * interior.sum():
        return None
    nearest, farthest = _REGIONS.around_radii
    shadowed = (across < _REGIONS.around_half_width) & below_centre
    around = visible & (radius > nearest) & (radius < farthest) & ~shadowed
    if around.sum() < _REGIONS.minimum_samples:
        return None
    levels = _levels(grey, x, y)
    tissue_level = float(medians(levels[around]))
    core, outer = inside & (radius < _REGIONS.core_radius), inside & (radius > _REGIONS.outer_radius)
    rim, rim_px, saturated_share = _measure_wall(grey, beams, ellipse, extent, others)
    beyond = visible & (radius > _REGIONS.shadow_radius) & below_centre
    shadow, black_share = _measure_shadow(
        levels,
        behind=beyond & (across < _REGIONS.behind_half_width),
        lateral=beyond & (across > _REGIONS.lateral_half_width),
    )
    border = measure_border(ellipse, lambda x, y: _sample_points(grey, beams, x, y, others))
    return ShellSigns(
        rim=rim - tissue_level,
        rim_px=rim_px,
        shadow=shadow,
        interior=float(medians(levels[inside])) - tissue_level,
        middle=float(medians(levels[core]) - medians(levels[outer])) if core.any() else np.nan,
        unevenness=float(levels[inside].std()),
        rim_saturated_share=saturated_share,
        shadow_black_share=black_share,
        wall_all_round=border.wall,
        step_all_round=border.step,
    )


def median_signs(several: list[ShellSigns]) -> ShellSigns:
    """The median of each sign over the pictures in which it could be measured."""

    def median(name: str) -> float:
        known = [value for one in several if not np.isnan(value := getattr(one, name))]
        return float(np.median(known)) if known else float("nan")

    medians = {field.name: median(field.name) for field in fields(ShellSigns) if field.name != "frames"}
    return ShellSigns(**medians, frames=sum(one.frames for one in several))


def _sample(
    grey: NDArray[np.uint8], beams: BeamCoordinates, beam: Floats, depth: Floats, others: list[BeamExtent]
) -> tuple[Floats, Mask]:
    """(B, S) grey levels at beams and depths, and whether each point shows tissue that nothing else hides."""
    x, y = beams.to_xy(beam, depth)
    return _levels(grey, x, y), _in_sector(beams, x, y) & ~_hidden(beam, depth, others)


def _sample_points(
    grey: NDArray[np.uint8], beams: BeamCoordinates, x: Floats, y: Floats, others: list[BeamExtent]
) -> tuple[Floats, Mask]:
    """The same at points x and y."""
    beam, depth = (part.reshape(x.shape) for part in beams.to_beam_depth(np.stack([x, y], axis=-1)))
    return _levels(grey, x, y), _in_sector(beams, x, y) & ~_hidden(beam, depth, others)


def _levels(grey: NDArray[np.uint8], x: Floats, y: Floats) -> Floats:
    """Grey levels at points."""
    levels = cv2.remap(grey, *_as_maps(x, y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(levels, np.float64)


def _in_sector(beams: BeamCoordinates, x: Floats, y: Floats) -> Mask:
    """Which points lie in the sector."""
    mask = beams.sector.mask.view(np.uint8)
    inside = cv2.remap(mask, *_as_maps(x, y), cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(inside > 0)


def _as_maps(x: Floats, y: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    return np.ascontiguousarray(x, np.float32), np.ascontiguousarray(y, np.float32)


def _hidden(beam: Floats, depth: Floats, others: list[BeamExtent]) -> Mask:
    """Which points lie in another object's outline, or behind it."""
    hidden = np.zeros(np.broadcast_shapes(beam.shape, depth.shape), bool)
    for other in others:
        hidden |= (beam > other.first_beam) & (beam < other.last_beam) & (depth > other.near_depth)
    return hidden


def _radius(ellipse: Floats, x: Floats, y: Floats) -> Floats:
    """Distance from the centre in units of the outline: 0 at its centre, 1 on it."""
    angle = np.deg2rad(ellipse[4])
    dx, dy = x - ellipse[0], y - ellipse[1]
    along, across = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
    return np.asarray(np.hypot(along / ellipse[2], across / ellipse[3]))


def _measure_shadow(levels: Floats, *, behind: Mask, lateral: Mask) -> tuple[float, float]:
    """How much darker it is behind the egg than next to it, and the share that is black; NaN where unknown.

    behind, lateral : the points behind the egg, and those next to it at the same depths. Compared depth by depth,
    because gain changes with depth. A depth counts where both are visible.
    """
    rows = np.minimum(behind.sum(0), lateral.sum(0)) >= _REGIONS.minimum_row_samples
    rows[rows] = (levels * lateral).sum(0)[rows] / lateral.sum(0)[rows] > _SCREEN.dark
    if rows.sum() < _REGIONS.minimum_rows:
        return float("nan"), float("nan")
    dark, light = ((levels * mask).sum(0)[rows] / mask.sum(0)[rows] for mask in (behind, lateral))
    black = levels[:, rows][behind[:, rows]] <= _SCREEN.black
    return float((light - dark).mean()), float(black.mean())


def _measure_wall(
    grey: NDArray[np.uint8], beams: BeamCoordinates, ellipse: Floats, extent: BeamExtent, others: list[BeamExtent]
) -> tuple[float, float, float]:
    """Level of the near wall, its thickness in px, and the share of it that is white; NaN where unknown."""
    beam = extent.centre_beam + extent.half_width * _WALL_BEAMS
    step = max(_WALL.minimum_step_px, extent.half_depth / _WALL.samples_per_half_depth)
    reach = _WALL.sampled_half_depths * extent.half_depth
    offsets = np.arange(-reach, reach + step, step)
    entry = beams.entry_depths(ellipse, beam)[:, None]
    levels, visible = _sample(grey, beams, beam[:, None], entry + offsets, others)
    groups = (part.reshape(_WALL.groups, -1, len(offsets)) for part in (levels, visible))
    searched = np.abs(offsets) <= max(_WALL.searched_half_depths * extent.half_depth, _WALL.minimum_search_px)
    peaks, widths, white_shares = [], [], []
    for profiles, is_visible in zip(*groups, strict=True):
        if not is_visible.all():
            continue
        profile = profiles.mean(0)
        peak = int(np.argmax(np.where(searched, profile, -1.0)))
        peaks.append(float(profile[peak]))
        white_shares.append(float((profiles[:, searched].max(1) >= _SCREEN.white).mean()))
        widths.append(step * beams.px_per_depth * _width_at_half_height(profile, peak))
    if not peaks:
        return float("nan"), float("nan"), float("nan")
    known = [width for width in widths if not np.isnan(width)]
    return float(np.mean(peaks)), float(np.median(known)) if known else float("nan"), float(np.mean(white_shares))


def _width_at_half_height(profile: Floats, peak: int) -> float:
    """In samples, measured above the brighter of the two sides; NaN where the line does not stand out from both."""
    sides = profile[: max(peak, 1)], profile[peak + 1 :]
    base = max((quantile(side, _WALL.side_quantile) for side in sides if len(side)), default=0.0)
    if profile[peak] - base < _WALL.minimum_contrast:
        return float("nan")
    half = (profile[peak] + base) / 2
    half_widths = []
    for side in (profile[peak::-1], profile[peak:]):
        below = np.flatnonzero(side < half)
        if not len(below):
            return float("nan")
        last = int(below[0]) - 1
        half_widths.append(last + (side[last] - half) / (side[last] - side[last + 1]))
    return float(sum(half_widths))
