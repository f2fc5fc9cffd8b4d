"""Where on the screen the echoes are: a convex probe's fan or a linear probe's rectangle.

Coordinates are pixels of the source frame, x to the right, y down, pixel centres at whole numbers. Boxes are
half-open. The probe is at the top, as scanners show it, unless they were told to turn the picture upside down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.echo_map import find_echoes
from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_fit import fit_coarse_fan, refine_fan, widen_fan
from pipeline.ingest.sector.linear_sector import Parallelogram, fit_coarse_parallelogram, refine_parallelogram
from pipeline.ingest.sector.screen_outline import find_screen_outline
from pipeline.ingest.sector.sector_evidence import LINE_WEIGHT

__all__ = ["Sector", "find_sector", "find_sector_in_box"]

# The search works on pictures of this longer side, in px, of so many frames: text and rulers have vanished, edges have
# not.
WORKING_SIDE_PX, SAMPLED_FRAMES = 320, 6
MIN_ECHO_SHARE = 0.04  # of the picture's area in echoes; anything smaller is no sector
# A rectangle is the plainer word for what a fan explains no better than by the first of these shares of the echoes;
# where the coarse search finds one of them better by the second, that is settled.
FAN_MARGIN_SHARE, CLEAR_MARGIN_SHARE = 0.01, 0.1
# Of all echoes, what an upright fan or rectangle must explain lest the picture be turned upside down, and by how much
# more that must explain.
MIN_EXPLAINED_SHARE, UPSIDE_DOWN_MARGIN_SHARE = 0.96, 0.03


@dataclass(frozen=True)
class Sector:
    """The part of a frame that holds echo data.

    kind : a "rectangle" leans where its beams are steered
    mask : (H, W) bool;  box : x0, y0, x1, y1 of the mask
    apex_xy : px, where the beams meet, above the probe's face;  None unless a fan, as are
    inner_radius_px, outer_radius_px : from the apex to the probe's face and to the deepest echoes
    upside_down : the probe is at the bottom;  steering : px to the right for each px down along the beams, 0 in fans
    """

    kind: Literal["fan", "rectangle"]
    mask: NDArray[np.bool_]
    box: tuple[int, int, int, int]
    apex_xy: tuple[float, float] | None = None
    inner_radius_px: float | None = None
    outer_radius_px: float | None = None
    upside_down: bool = False
    steering: float = 0.0

    def depth_px(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N,) distance of (N, 2) points x, y from the probe's face, along the beam; never negative."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if self.apex_xy is None or self.inner_radius_px is None:
            depth = (points[:, 1] - self.box[1]) * np.hypot(1.0, self.steering)
        else:
            depth = np.hypot(*(points - self.apex_xy).T) - self.inner_radius_px
        return np.asarray(np.maximum(depth, 0.0))

    @property
    def depth_range_px(self) -> float:
        """From the probe's face to the deepest echoes: what a scanner's depth setting measures."""
        if self.outer_radius_px is None or self.inner_radius_px is None:
            return float((self.box[3] - self.box[1]) * np.hypot(1.0, self.steering))
        return self.outer_radius_px - self.inner_radius_px


def find_sector(frames: Sequence[NDArray[np.uint8]]) -> Sector | None:
    """The sector that all ``frames`` of one clip share, (H, W) uint8 each, at least one; None where there are hardly
    any echoes.

    A fan that fills all that is not plain screen is the sector; in a window on a brighter page the search is for that
    alone. Elsewhere every part of the screen speaks for echoes or against them; the fan and the rectangle that this is
    worth the most to are compared, and the better one is taken. Both reach into shadows and dark corners where no echo
    shows the border, and leave out what a screen has beside the sector, since dark lies between.
    """
    height, width = frames[0].shape
    scale = min(1.0, WORKING_SIDE_PX / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    # A few frames spread over the whole look-ahead know as much as all of them.
    chosen = [frames[i] for i in np.unique(np.linspace(0, len(frames) - 1, SAMPLED_FRAMES).round().astype(int))]
    small = np.stack([_shrunk(frame, size) for frame in chosen]).astype(np.float32)
    magnify = width / size[0], height / size[1]
    outline = find_screen_outline(small)
    if outline and (window := outline.inner_screen_box()):
        (across, down), (x0, y0, x1, y1) = magnify, window
        return find_sector_in_box(chosen, (round(x0 * across), round(y0 * down), round(x1 * across), round(y1 * down)))
    evidence = find_echoes(small)
    echoes = float(evidence.echo.clip(min=0).sum())
    if echoes < MIN_ECHO_SHARE * evidence.echo.size:
        return None
    if outline and (outlined := outline.find_fan(evidence)):
        fan, turned = outlined
        return _fan_sector(fan.scaled(*magnify), height, width, turned)
    slab, in_slab = fit_coarse_parallelogram(evidence)
    upright_slab, in_upright = refine_parallelogram(evidence, slab)
    if in_upright > (1 - FAN_MARGIN_SHARE) * echoes + LINE_WEIGHT * float(evidence.line.sum()):
        # No fan gathers so much more, for there is no more.
        return _slab_sector(upright_slab.scaled(*magnify), height, width)
    fan, in_fan = fit_coarse_fan(evidence)
    turned = False
    if max(in_slab, in_fan) < MIN_EXPLAINED_SHARE * echoes:
        other, in_other = fit_coarse_fan(evidence.flipped)
        turned = bool(in_other > in_fan + UPSIDE_DOWN_MARGIN_SHARE * echoes) and other.has_uncropped_face(
            *evidence.shape
        )
        fan, in_fan = (other, in_other) if turned else (fan, in_fan)
    upright = evidence.flipped if turned else evidence
    if in_fan - in_slab < CLEAR_MARGIN_SHARE * echoes:
        # Beams aslant fill a part of an upright rectangle, and so does a fan, but less.
        slab, in_slab = fit_coarse_parallelogram(evidence, allow_steering=True)
    if abs(in_fan - in_slab) < CLEAR_MARGIN_SHARE * echoes:
        slab, in_slab = refine_parallelogram(evidence, slab)
        fan, in_fan = refine_fan(upright, fan)
        is_fan = in_fan > in_slab + FAN_MARGIN_SHARE * echoes
    elif in_fan > in_slab:
        is_fan, (fan, _) = True, refine_fan(upright, fan)
    else:
        is_fan, (slab, _) = False, refine_parallelogram(evidence, slab)
    if is_fan:
        return _fan_sector(widen_fan(upright, fan).scaled(*magnify), height, width, turned)
    return _slab_sector(slab.scaled(*magnify), height, width)


def _shrunk(frame: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """size : width, height, of at most those of ``frame`` (H, W)"""
    # Halving is many times faster than any other step.
    while frame.shape[1] >= 2 * size[0] and frame.shape[0] % 2 == frame.shape[1] % 2 == 0:
        frame = np.asarray(cv2.resize(frame, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA), np.uint8)


def find_sector_in_box(frames: Sequence[NDArray[np.uint8]], box: tuple[int, int, int, int]) -> Sector | None:
    """The same of that box, x0, y0, x1, y1 in px, of the frames alone."""
    x0, y0, x1, y1 = box
    found = find_sector([frame[y0:y1, x0:x1] for frame in frames])
    if found is None:
        return None
    mask = np.zeros(frames[0].shape, np.bool_)
    mask[y0:y1, x0:x1] = found.mask
    left, top, right, bottom = found.box
    return replace(
        found,
        mask=mask,
        box=(left + x0, top + y0, right + x0, bottom + y0),
        apex_xy=None if found.apex_xy is None else (found.apex_xy[0] + x0, found.apex_xy[1] + y0),
    )


def _slab_sector(slab: Parallelogram, height: int, width: int) -> Sector:
    mask = slab.mask(height, width)
    return Sector("rectangle", mask, _box_of(mask), steering=slab.steering)


def _fan_sector(fan: Fan, height: int, width: int, turned: bool) -> Sector:
    """turned : the fan was found on the picture turned upside down."""
    mask = fan.mask(height, width)
    x, y = fan.apex_xy
    if turned:
        mask, y = mask[::-1].copy(), height - 1 - y
    return Sector("fan", mask, _box_of(mask), (x, y), fan.inner_radius_px, fan.outer_radius_px, turned)


def _box_of(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
