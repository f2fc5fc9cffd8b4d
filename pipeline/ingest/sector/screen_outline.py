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

from pipeline.ingest.sector.echo_map import BLACK_SCREEN_BELOW, GAP, LINE, disc, half_lit, local_deviation
from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_fit import refined_fan, rough_fan
from pipeline.ingest.sector.linear_sector import refined_slab, rough_slab
from pipeline.ingest.sector.sector_evidence import Darkness, Evidence

__all__ = ["Outline", "find_outline"]

# All of these were chosen on generated pictures. In grey levels: what is as near to the screen's, and as smooth, is
# plain screen.
NEAR, SMOOTH = 2.5, 0.3
# Shares of the longer side and of its pixels: how broad the picture's rim is, and how much of it must be smooth for the
# screen to be known by it.
RIM, SMOOTH_RIM = 0.02, 0.05
# Overlap (intersection over union) with its outline of a fan or a window; and of all echoes, what must lie in a fan.
FITS, HOLDS = 0.95, 0.9
# A rectangle is the plainer word, unless a fan has less than the first share of its faults, or of the outline's pixels
# hardly more than rounding makes.
PLAINER, EXACT = 0.5, 0.02
# Of the same pixels: a rectangle with fewer faults is one, and a fan with more on a coarse grid will not fit on a fine.
PLAINLY, HARDLY = 0.005, 0.2
# Radians that a fan's axis may lean: an outline that leans more is a part of one, whose rest lies in shadow.
UPRIGHT = np.deg2rad(1.5)
FREE = Darkness(0.0, 0.0, 0.0)  # inside is worth as much as outside costs


@dataclass(frozen=True)
class Outline:
    """region : (H, W) bool, the largest place that is no plain screen, its holes filled;  screen : grey level"""

    region: NDArray[np.bool_]
    screen: int

    def fan(self, evidence: Evidence) -> tuple[Fan, bool] | None:
        """The fan that fills the region, and whether it is upside down; None if that is no fan, or does not hold the
        echoes of the ``evidence``.
        """
        region, area = self.region, np.count_nonzero(self.region)
        inside = Evidence(np.where(region, np.float32(1), np.float32(-1)), *np.zeros((2, *region.shape), np.float32))
        _, in_slab = refined_slab(inside, rough_slab(inside)[0])
        if area - in_slab < PLAINLY * area:
            return None
        for turned in (False, True):
            upright = inside.turned if turned else inside
            rough, in_rough = rough_fan(upright, FREE)
            if area - in_rough > HARDLY * area:
                continue
            fan, in_fan = refined_fan(upright, rough, darkness=FREE)
            if in_fan < in_slab or area - in_fan > max(PLAINER * (area - in_slab), EXACT * area):
                continue
            if abs(fan.left + fan.right) / 2 > UPRIGHT:
                continue
            mask = fan.mask(*region.shape)[:: -1 if turned else 1]
            held = float(evidence.echo[mask].clip(min=0).sum())
            if _overlap(mask, region) > FITS and held > HOLDS * float(evidence.echo.clip(min=0).sum()):
                return fan, turned
        return None

    def window(self) -> tuple[int, int, int, int] | None:
        """x0, y0, x1, y1 of the region where it is a rectangle in a brighter page: a screen of its own. Else None."""
        if self.screen < BLACK_SCREEN_BELOW:
            return None
        rows, columns = np.flatnonzero(self.region.any(axis=1)), np.flatnonzero(self.region.any(axis=0))
        x0, y0, x1, y1 = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
        box = np.zeros(self.region.shape, np.bool_)
        box[y0:y1, x0:x1] = True
        return (x0, y0, x1, y1) if _overlap(box, self.region) > FITS and not box.all() else None


def find_outline(frames: NDArray[np.float32]) -> Outline | None:
    """What (F, H, W) frames of one clip show beside plain screen; None where their rim does not tell the screen."""
    mean = frames.mean(axis=0)
    smooth = np.mean([local_deviation(frame) for frame in frames], axis=0) < SMOOTH
    side = max(smooth.shape)
    margin = max(2, round(RIM * side))
    rim = np.ones(smooth.shape, np.bool_)
    rim[margin:-margin, margin:-margin] = False
    known = rim & smooth
    if np.count_nonzero(known) < SMOOTH_RIM * np.count_nonzero(rim):
        return None
    screen = int(np.bincount(np.rint(mean[known]).astype(np.int64)).argmax())
    away = np.abs(mean - np.float32(screen))
    # The deviation's window takes in a pixel two away, of which the border may leave but a part.
    uneven = cv2.erode((~smooth | (away >= NEAR)).astype(np.uint8), disc(6)) > 0
    lit = (uneven | half_lit(away, away >= NEAR)).astype(np.uint8)
    pad = side // 10
    within = np.s_[pad:-pad, pad:-pad]
    closed = cv2.morphologyEx(np.pad(lit, pad), cv2.MORPH_CLOSE, disc(GAP * side))[within]
    opened = cv2.morphologyEx(np.pad(closed, pad, mode="edge"), cv2.MORPH_OPEN, disc(LINE * side))[within]
    count, labels, statistics, _ = cv2.connectedComponentsWithStats(opened)
    if count < 2:
        return None
    largest = labels == 1 + int(statistics[1:, cv2.CC_STAT_AREA].argmax())
    around = np.pad(largest, 1).astype(np.uint8)
    cv2.floodFill(around, None, (0, 0), 2)
    return Outline(np.asarray(around[1:-1, 1:-1] != 2), screen)


def _overlap(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    return float(np.count_nonzero(one & other) / np.count_nonzero(one | other))
