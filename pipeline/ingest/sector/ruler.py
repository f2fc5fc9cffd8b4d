"""The ruler of ticks drawn beside a sector, read as equal spacing.

What a tick stands for is not drawn, so a ruler tells how far apart its ticks are and no millimetres, unless a person
said what a tick is. It can be held against a scale that is known otherwise: rulers have ticks of 1, 2, 5 or 10 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector import Sector

__all__ = ["Ruler", "find_ruler", "matching_tick_mm"]

TICKS_MM = (1.0, 2.0, 5.0, 10.0)
# A scale fits a ruler if its ticks come out within this share of a common unit (common practice, no source).
TICK_SPACING_TOLERANCE = 0.06
# Ticks are this much brighter than the screen, in grey levels, and no higher than this share of the picture.
MIN_TICK_CONTRAST, MAX_TICK_HEIGHT_SHARE = 25, 0.0125
# Columns of a strip that is searched, as a share of the picture's width, and px that a tick may lie off its place.
STRIP_WIDTH_SHARE, TICK_TOLERANCE_PX = 0.01, 1.0
MIN_TICKS = 5
MIN_CONFIDENCE = 0.8


@dataclass(frozen=True)
class Ruler:
    """spacing_px : between ticks;  ticks : how many were seen
    confidence : share of the places where a tick should be that have one, less what lies between them
    """

    spacing_px: float
    ticks: int
    confidence: float


def find_ruler(grey: NDArray[np.uint8], sector: Sector) -> Ruler | None:
    """The upright ruler with the most ticks outside the sector of a frame ``grey`` (H, W); None if none is sure."""
    height, width = grey.shape
    around = cv2.dilate(sector.mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    outside = np.where(around, 0, grey)
    dark = int(np.median(grey[~around])) if not around.all() else 255
    lit = (outside > dark + MIN_TICK_CONTRAST).astype(np.uint8)
    strip = max(3, round(STRIP_WIDTH_SHARE * width))
    # (strips, H): whether most of a tick's columns are lit, lest a point of a letter count as one.
    counts = cv2.boxFilter(lit, -1, (strip, 1), anchor=(0, 0), normalize=False)[:, : width - strip + 1]
    most = max(2, strip // 4)
    lines = counts.T[:: max(1, strip // 2)] >= most
    # Most strips hold so few that nothing needs to be measured: each has two ends, but for one at the border.
    ends = np.count_nonzero(lines[:, 1:] != lines[:, :-1], axis=1)
    best: Ruler | None = None
    for rows in lines[ends >= 2 * MIN_TICKS - 2]:
        found = _equally_spaced(_middles(rows, max(3, round(MAX_TICK_HEIGHT_SHARE * height))))
        if found is not None and (best is None or (found.ticks, found.confidence) > (best.ticks, best.confidence)):
            best = found
    return best


def matching_tick_mm(spacing_px: float, mm_per_px: float, known_tick_mm: float | None = None) -> float | None:
    """The common unit, in mm, that ticks so far apart have at that scale, or else the one that they are told to have;
    None if they have none of them.
    """
    tick_mm = spacing_px * mm_per_px
    units = TICKS_MM if known_tick_mm is None else (known_tick_mm,)
    return next((unit for unit in units if abs(tick_mm / unit - 1) <= TICK_SPACING_TOLERANCE), None)


def _middles(rows: NDArray[np.bool_], highest: int) -> NDArray[np.float64]:
    """Middles of the runs of True that are no higher than a tick."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rows, [False]]).astype(np.int8)))
    begin, end = edges[0::2], edges[1::2]
    low = end - begin <= highest
    return (begin[low] + end[low] - 1) / 2.0


def _equally_spaced(places: NDArray[np.float64]) -> Ruler | None:
    """The ruler whose ticks most of the places are, from its step fitted by least squares."""
    if len(places) < MIN_TICKS:
        return None
    spacing = float(np.median(np.diff(places)))
    start = places[len(places) // 2]
    for _ in range(2):
        number = np.rint((places - start) / spacing)
        on = np.abs(places - start - number * spacing) <= TICK_TOLERANCE_PX
        if np.count_nonzero(on) < MIN_TICKS or np.ptp(number[on]) < MIN_TICKS - 1:
            return None
        spacing, start = (float(value) for value in np.polyfit(number[on], places[on], 1))
    expected = np.ptp(number[on]) + 1
    ticks = len(np.unique(number[on]))
    confidence = float(ticks / (expected + np.count_nonzero(~on)))
    return Ruler(spacing, ticks, confidence) if confidence >= MIN_CONFIDENCE else None
