"""What plain screen leaves blank: a fan, or a window.

A screen is painted in one grey around its sector, and a sector is seldom as plain, even in its shadows: these are of
another black, or full of a receiver's noise. Where all that is not plain screen has the outline of a fan, that is the
sector, however little of it shines. A rectangle tells less: windows are rectangles, with words beside the sector.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.echo_map import (
    BLACK_SCREEN_BELOW,
    GAP_SHARE,
    LINE_SHARE,
    disc_kernel,
    exceeds_half_local_mean,
    local_std,
)
from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_fit import fit_coarse_fan, refine_fan
from pipeline.ingest.sector.linear_sector import fit_coarse_parallelogram, refine_parallelogram
from pipeline.ingest.sector.sector_evidence import DarkPenalty, SectorEvidence

__all__ = ["ScreenOutline", "find_screen_outline"]

# All of these were chosen on generated pictures. In grey levels: what is as near to the screen's, and as smooth, is
# plain screen.
SCREEN_LEVEL_TOLERANCE, SMOOTH_STD_BELOW = 2.5, 0.3
# Shares of the longer side and of its pixels: how broad the picture's rim is, and how much of it must be smooth for the
# screen to be known by it.
RIM_WIDTH_SHARE, MIN_SMOOTH_RIM_SHARE = 0.02, 0.05
# Overlap (intersection over union) with its outline of a fan or a window; and of all echoes, what must lie in a fan.
MIN_IOU, MIN_ECHOES_INSIDE_SHARE = 0.95, 0.9
# A rectangle is the plainer word, unless a fan has less than the first share of its faults, or of the outline's pixels
# hardly more than rounding makes.
FAN_ERROR_RATIO, ROUNDING_ERROR_SHARE = 0.5, 0.02
# Of the same pixels: a rectangle with fewer faults is one, and a fan with more on a coarse grid will not fit on a fine.
RECTANGLE_ERROR_SHARE, COARSE_FAN_ERROR_SHARE = 0.005, 0.2
# Radians that a fan's axis may lean: an outline that leans more is a part of one, whose rest lies in shadow.
MAX_TILT_RAD = np.deg2rad(1.5)
NO_PENALTY = DarkPenalty(0.0, 0.0, 0.0)  # inside is worth as much as outside costs


@dataclass(frozen=True)
class ScreenOutline:
    """mask : (H, W) bool, the largest place that is no plain screen, its holes filled;  screen_level : grey level"""

    mask: NDArray[np.bool_]
    screen_level: int

    def find_fan(self, evidence: SectorEvidence) -> tuple[Fan, bool] | None:
        """The fan that fills the region, and whether it is upside down; None if that is no fan, or does not hold the
        echoes of the ``evidence``.
        """
        region, area = self.mask, np.count_nonzero(self.mask)
        inside = SectorEvidence(
            np.where(region, np.float32(1), np.float32(-1)), *np.zeros((2, *region.shape), np.float32)
        )
        _, in_slab = refine_parallelogram(inside, fit_coarse_parallelogram(inside)[0])
        if area - in_slab < RECTANGLE_ERROR_SHARE * area:
            return None
        for turned in (False, True):
            upright = inside.flipped if turned else inside
            rough, in_rough = fit_coarse_fan(upright, NO_PENALTY)
            if area - in_rough > COARSE_FAN_ERROR_SHARE * area:
                continue
            fan, in_fan = refine_fan(upright, rough, dark_penalty=NO_PENALTY)
            if in_fan < in_slab or area - in_fan > max(FAN_ERROR_RATIO * (area - in_slab), ROUNDING_ERROR_SHARE * area):
                continue
            if abs(fan.left_rad + fan.right_rad) / 2 > MAX_TILT_RAD:
                continue
            mask = fan.mask(*region.shape)[:: -1 if turned else 1]
            held = float(evidence.echo[mask].clip(min=0).sum())
            if _overlap(mask, region) > MIN_IOU and held > MIN_ECHOES_INSIDE_SHARE * float(
                evidence.echo.clip(min=0).sum()
            ):
                return fan, turned
        return None

    def inner_screen_box(self) -> tuple[int, int, int, int] | None:
        """x0, y0, x1, y1 of the region where it is a rectangle in a brighter page: a screen of its own. Else None."""
        if self.screen_level < BLACK_SCREEN_BELOW:
            return None
        rows, columns = np.flatnonzero(self.mask.any(axis=1)), np.flatnonzero(self.mask.any(axis=0))
        x0, y0, x1, y1 = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
        box = np.zeros(self.mask.shape, np.bool_)
        box[y0:y1, x0:x1] = True
        return (x0, y0, x1, y1) if _overlap(box, self.mask) > MIN_IOU and not box.all() else None


def find_screen_outline(frames: NDArray[np.float32]) -> ScreenOutline | None:
    """What (F, H, W) frames of one clip show beside plain screen; None where their rim does not tell the screen."""
    mean = frames.mean(axis=0)
    smooth = np.mean([local_std(frame) for frame in frames], axis=0) < SMOOTH_STD_BELOW
    side = max(smooth.shape)
    margin = max(2, round(RIM_WIDTH_SHARE * side))
    rim = np.ones(smooth.shape, np.bool_)
    rim[margin:-margin, margin:-margin] = False
    known = rim & smooth
    if np.count_nonzero(known) < MIN_SMOOTH_RIM_SHARE * np.count_nonzero(rim):
        return None
    screen = int(np.bincount(np.rint(mean[known]).astype(np.int64)).argmax())
    away = np.abs(mean - np.float32(screen))
    # The deviation's window takes in a pixel two away, of which the border may leave but a part.
    uneven = cv2.erode((~smooth | (away >= SCREEN_LEVEL_TOLERANCE)).astype(np.uint8), disc_kernel(6)) > 0
    lit = (uneven | exceeds_half_local_mean(away, away >= SCREEN_LEVEL_TOLERANCE)).astype(np.uint8)
    pad = side // 10
    within = np.s_[pad:-pad, pad:-pad]
    closed = cv2.morphologyEx(np.pad(lit, pad), cv2.MORPH_CLOSE, disc_kernel(GAP_SHARE * side))[within]
    opened = cv2.morphologyEx(np.pad(closed, pad, mode="edge"), cv2.MORPH_OPEN, disc_kernel(LINE_SHARE * side))[within]
    count, labels, statistics, _ = cv2.connectedComponentsWithStats(opened)
    if count < 2:
        return None
    largest = labels == 1 + int(statistics[1:, cv2.CC_STAT_AREA].argmax())
    around = np.pad(largest, 1).astype(np.uint8)
    cv2.floodFill(around, None, (0, 0), 2)
    return ScreenOutline(np.asarray(around[1:-1, 1:-1] != 2), screen)


def _overlap(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    return float(np.count_nonzero(one & other) / np.count_nonzero(one | other))
