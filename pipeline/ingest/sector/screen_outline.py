"""What a plain screen leaves blank: a fan, or a window.

A screen is painted in one grey around its sector. A sector is rarely as plain, even in its shadows: they have another
black, or the receiver's noise. Where everything except plain screen has the outline of a fan, that is the sector,
however little of it is bright. A rectangle proves less, because windows are rectangles too and hold text next to the
sector.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import Box
from pipeline.ingest.sector.echo_map import is_black_screen
from pipeline.ingest.sector.fan import PlacedFan
from pipeline.ingest.sector.fan_fit import fit_coarse_fan, refine_fan
from pipeline.ingest.sector.image_filters import disc_kernel, exceeds_half_local_mean, local_std, without_lines
from pipeline.ingest.sector.linear_sector import fit_coarse_parallelogram, refine_parallelogram
from pipeline.ingest.sector.sector_evidence import DarkPenalty, SectorEvidence

__all__ = ["ScreenOutline", "find_outline_fan", "find_screen_outline"]


@dataclass(frozen=True)
class OutlineLimits:
    """Limits of screens and outlines, all chosen on generated pictures. Errors are shares of the outline's pixels.

    level_tolerance : grey levels; what is as near to the screen's level, and as smooth, is plain screen
    smooth_std_below : grey levels; local standard deviation of plain screen
    edge_margin_px : diameter of the disc that moves the edge of what is not smooth in: the window of the deviation
    reaches a pixel two away, of which only a part may lie inside
    rim_width_share : width of the picture's rim, as a share of the longer side
    min_smooth_rim_share : share of the rim that must be smooth for the screen's level to be known
    min_iou : intersection over union of the outline with the fan or window
    min_echo_share : share of all echoes that must lie in the fan
    fan_error_ratio : a rectangle is preferred unless a fan has less than this share of its error, ...
    rounding_error : ... or an error that rounding alone makes
    rectangle_error_below : a rectangle with a smaller error is a rectangle
    max_coarse_fan_error : a fan with a larger error on a coarse grid will not fit on a fine one
    max_tilt_rad : an outline whose axis tilts more is a part of a fan, and the rest lies in shadow
    """

    level_tolerance: float = 2.5
    smooth_std_below: float = 0.3
    edge_margin_px: int = 6
    rim_width_share: float = 0.02
    min_smooth_rim_share: float = 0.05
    min_iou: float = 0.95
    min_echo_share: float = 0.9
    fan_error_ratio: float = 0.5
    rounding_error: float = 0.02
    rectangle_error_below: float = 0.005
    max_coarse_fan_error: float = 0.2
    max_tilt_rad: float = float(np.deg2rad(1.5))


_LIMITS = OutlineLimits()
NO_PENALTY = DarkPenalty(0.0, 0.0, 0.0)  # a pixel inside gains as much as one outside costs


@dataclass(frozen=True)
class ScreenOutline:
    """mask : (H, W) bool, the largest region that is not plain screen, with its holes filled

    screen_level : grey level of the plain screen
    """

    mask: NDArray[np.bool_]
    screen_level: int

    def inner_screen_box(self) -> Box | None:
        """The region if it is a rectangle in a brighter page, that is, a screen of its own; else None."""
        if is_black_screen(self.screen_level):
            return None
        rows, columns = np.flatnonzero(self.mask.any(axis=1)), np.flatnonzero(self.mask.any(axis=0))
        x0, y0, x1, y1 = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
        box = np.zeros(self.mask.shape, np.bool_)
        box[y0:y1, x0:x1] = True
        return (x0, y0, x1, y1) if _mask_iou(box, self.mask) > _LIMITS.min_iou and not box.all() else None


def find_screen_outline(frames: NDArray[np.float32]) -> ScreenOutline | None:
    """What is not plain screen in (F, H, W) frames of one clip; None if their rim does not show the screen's level."""
    mean = frames.mean(axis=0)
    smooth = np.mean([local_std(frame) for frame in frames], axis=0) < _LIMITS.smooth_std_below
    margin = max(2, round(_LIMITS.rim_width_share * max(smooth.shape)))
    rim = np.ones(smooth.shape, np.bool_)
    rim[margin:-margin, margin:-margin] = False
    smooth_rim = rim & smooth
    if np.count_nonzero(smooth_rim) < _LIMITS.min_smooth_rim_share * np.count_nonzero(rim):
        return None
    screen_level = int(np.bincount(np.rint(mean[smooth_rim]).astype(np.int64)).argmax())
    difference = np.abs(mean - np.float32(screen_level))
    differs = difference >= _LIMITS.level_tolerance
    uneven = cv2.erode((~smooth | differs).astype(np.uint8), disc_kernel(_LIMITS.edge_margin_px)) > 0
    region = without_lines(uneven | exceeds_half_local_mean(difference, differs))
    count, labels, statistics, _ = cv2.connectedComponentsWithStats(region)
    if count < 2:
        return None
    largest = labels == 1 + int(statistics[1:, cv2.CC_STAT_AREA].argmax())
    # Filled from outside, so that what is not reached is the region with its holes.
    filled = np.pad(largest, 1).astype(np.uint8)
    cv2.floodFill(filled, None, (0, 0), 2)
    return ScreenOutline(np.asarray(filled[1:-1, 1:-1] != 2), screen_level)


def find_outline_fan(outline: ScreenOutline, evidence: SectorEvidence) -> PlacedFan | None:
    """The fan that fills the outline; None if the outline is not a fan, or the fan does not hold the echoes.

    evidence : for the echoes of the same frames
    """
    region, area = outline.mask, np.count_nonzero(outline.mask)
    inside = SectorEvidence(np.where(region, np.float32(1), np.float32(-1)), *np.zeros((2, *region.shape), np.float32))
    rectangle = refine_parallelogram(inside, fit_coarse_parallelogram(inside).shape)
    rectangle_error = area - rectangle.score
    if rectangle_error < _LIMITS.rectangle_error_below * area:
        return None
    max_error = max(_LIMITS.fan_error_ratio * rectangle_error, _LIMITS.rounding_error * area)
    for upside_down in (False, True):
        upright = inside.flipped if upside_down else inside
        coarse = fit_coarse_fan(upright, NO_PENALTY)
        if area - coarse.score > _LIMITS.max_coarse_fan_error * area:
            continue
        fit = refine_fan(upright, coarse.shape, dark_penalty=NO_PENALTY)
        fan = fit.shape
        if fit.score < rectangle.score or area - fit.score > max_error:
            continue
        if abs(fan.left_rad + fan.right_rad) / 2 > _LIMITS.max_tilt_rad:
            continue
        placed = PlacedFan(fan, upside_down)
        mask = placed.mask(*region.shape)
        holds_echoes = evidence.echo_px_in(mask) > _LIMITS.min_echo_share * evidence.echo_px
        if holds_echoes and _mask_iou(mask, region) > _LIMITS.min_iou:
            return placed
    return None


def _mask_iou(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float(np.count_nonzero(one & other) / np.count_nonzero(one | other))
