"""The ruler of ticks next to a sector, recognised by equal spacing.

A ruler does not state what a tick stands for. It gives the spacing of its ticks and no millimetres, unless a person
states the length of a tick. It can be compared with a scale that is known otherwise: rulers have ticks of 1, 2, 5 or
10 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector import Sector

__all__ = ["Ruler", "find_ruler", "matching_tick_mm"]

TICKS_MM = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True)
class RulerSearch:
    """What counts as a ruler (all values: common practice, no source).

    spacing_tolerance : share by which a tick may differ from a common unit
    sector_margin_px : side of the square by which the sector is widened, so that its edge does not count as a tick
    min_tick_contrast : grey levels by which ticks are brighter than the screen
    max_tick_height_share : of the picture's height
    min_tick_height_px : a tick may always be so high
    strip_width_share : width of a strip that is searched, as a share of the picture's width
    min_strip_px : the least width of a strip
    tick_tolerance_px : how far a tick may be from its expected position
    min_ticks : fewer are not a ruler
    min_confidence : 0 to 1; as in `Ruler`
    """

    spacing_tolerance: float = 0.06
    sector_margin_px: int = 5
    min_tick_contrast: int = 25
    max_tick_height_share: float = 0.0125
    min_tick_height_px: int = 3
    strip_width_share: float = 0.01
    min_strip_px: int = 3
    tick_tolerance_px: float = 1.0
    min_ticks: int = 5
    min_confidence: float = 0.8


_SEARCH = RulerSearch()


@dataclass(frozen=True)
class Ruler:
    """spacing_px : between ticks;  ticks : number of ticks seen

    confidence : ticks seen, over the ticks expected plus the marks between them
    """

    spacing_px: float
    ticks: int
    confidence: float


def find_ruler(grey: NDArray[np.uint8], sector: Sector) -> Ruler | None:
    """The vertical ruler with the most ticks outside the sector of a frame ``grey`` (H, W); None if none is certain."""
    height, width = grey.shape
    margin = np.ones((_SEARCH.sector_margin_px, _SEARCH.sector_margin_px), np.uint8)
    near_sector = cv2.dilate(sector.mask.astype(np.uint8), margin) > 0
    outside = np.where(near_sector, 0, grey)
    screen_level = int(np.median(grey[~near_sector])) if not near_sector.all() else 255
    lit = (outside > screen_level + _SEARCH.min_tick_contrast).astype(np.uint8)
    strip = max(_SEARCH.min_strip_px, round(_SEARCH.strip_width_share * width))
    # (strips, H): whether a quarter of a strip's columns are lit, so that a dot of a letter does not count as a tick.
    # Each strip overlaps half of the one before.
    counts = cv2.boxFilter(lit, -1, (strip, 1), anchor=(0, 0), normalize=False)[:, : width - strip + 1]
    lines = counts.T[:: max(1, strip // 2)] >= max(2, strip // 4)
    # Most strips hold too few ticks to be measured. Each tick has two edges, except one at the picture's border.
    edges = np.count_nonzero(lines[:, 1:] != lines[:, :-1], axis=1)
    max_tick_height = max(_SEARCH.min_tick_height_px, round(_SEARCH.max_tick_height_share * height))
    best: Ruler | None = None
    for line in lines[edges >= 2 * _SEARCH.min_ticks - 2]:
        ruler = _fit_ruler(_tick_middles(line, max_tick_height))
        if ruler is not None and (best is None or (ruler.ticks, ruler.confidence) > (best.ticks, best.confidence)):
            best = ruler
    return best


def matching_tick_mm(spacing_px: float, mm_per_px: float, known_tick_mm: float | None = None) -> float | None:
    """The length in mm of a tick with that spacing at that scale: the common unit that fits, or None if none does.

    known_tick_mm : the only length that is possible, None if unknown
    """
    tick_mm = spacing_px * mm_per_px
    units = TICKS_MM if known_tick_mm is None else (known_tick_mm,)
    return next((unit for unit in units if abs(tick_mm / unit - 1) <= _SEARCH.spacing_tolerance), None)


def _tick_middles(line: NDArray[np.bool_], max_height: int) -> NDArray[np.float64]:
    """Middles of the runs of True along ``line`` (H,) that are no higher than a tick."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(np.int8)))
    begin, end = edges[0::2], edges[1::2]
    is_tick = end - begin <= max_height
    return (begin[is_tick] + end[is_tick] - 1) / 2.0


def _fit_ruler(positions: NDArray[np.float64]) -> Ruler | None:
    """The ruler that most positions belong to, with its spacing fitted by least squares."""
    if len(positions) < _SEARCH.min_ticks:
        return None
    spacing = float(np.median(np.diff(positions)))
    start = positions[len(positions) // 2]
    for _ in range(2):
        number = np.rint((positions - start) / spacing)
        on_ruler = np.abs(positions - start - number * spacing) <= _SEARCH.tick_tolerance_px
        if np.count_nonzero(on_ruler) < _SEARCH.min_ticks or np.ptp(number[on_ruler]) < _SEARCH.min_ticks - 1:
            return None
        spacing, start = (float(value) for value in np.polyfit(number[on_ruler], positions[on_ruler], 1))
    expected = np.ptp(number[on_ruler]) + 1
    ticks = len(np.unique(number[on_ruler]))
    confidence = float(ticks / (expected + np.count_nonzero(~on_ruler)))
    return Ruler(spacing, ticks, confidence) if confidence >= _SEARCH.min_confidence else None
