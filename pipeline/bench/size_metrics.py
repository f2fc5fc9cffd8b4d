"""Whether the told lengths and widths of whole eggs are right, and whether their stated doubt is honest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.matched_eggs import MatchedEgg

__all__ = ["SizeMetrics", "size_metrics"]

MIN_WIDEST_SECTION_SHARE = (
    0.9  # a section as wide as this share of its egg passes 0.44 of the way from the middle to the pole
)


@dataclass(frozen=True)
class SizeMetrics:
    """eggs : crossed near their middle by some section, and measured;  the others None if there is none

    *_error_mm : median absolute error;  *_bias_mm : mean error;  *_interval_coverage : share of true values in the stated 90 % range
    shape_reported : share of these whose shape was told;  shape_accuracy : of those, share of right ones: oval from 1.22
    """

    eggs: int
    length_error_mm: float | None
    length_bias_mm: float | None
    length_interval_coverage: float | None
    width_error_mm: float | None
    width_bias_mm: float | None
    width_interval_coverage: float | None
    shape_reported: float | None
    shape_accuracy: float | None


OVAL_MIN_ASPECT_RATIO = 1.22


def size_metrics(eggs: Sequence[MatchedEgg]) -> SizeMetrics:
    """Of eggs and follicles alike."""
    known = [
        egg
        for egg in eggs
        if egg.width_mm is not None
        and egg.reported["width_mm"] is not None
        and egg.widest_section_mm >= MIN_WIDEST_SECTION_SHARE * egg.width_mm
    ]
    if not known:
        return SizeMetrics(0, *[None] * 8)
    true = np.array([[egg.length_mm, egg.width_mm] for egg in known])
    told = np.array([[egg.reported["length_mm"], egg.reported["width_mm"]] for egg in known])
    ranges = np.array([[egg.reported["length_interval90_mm"], egg.reported["width_interval90_mm"]] for egg in known])
    held = ((ranges[:, :, 0] <= true) & (true <= ranges[:, :, 1])).mean(0)
    median, bias = np.median(np.abs(told - true), axis=0), (told - true).mean(0)
    named = [
        (egg.reported["shape"] == "oval", is_oval) for egg, is_oval in _ovals(known) if egg.reported["shape"] in SHAPES
    ]
    return SizeMetrics(
        eggs=len(known),
        length_error_mm=float(median[0]),
        length_bias_mm=float(bias[0]),
        length_interval_coverage=float(held[0]),
        width_error_mm=float(median[1]),
        width_bias_mm=float(bias[1]),
        width_interval_coverage=float(held[1]),
        shape_reported=len(named) / len(known),
        shape_accuracy=sum(said == is_oval for said, is_oval in named) / len(named) if named else None,
    )


SHAPES = ("round", "oval")


def _ovals(eggs: Sequence[MatchedEgg]) -> list[tuple[MatchedEgg, bool]]:
    return [(egg, (egg.length_mm or 0.0) >= OVAL_MIN_ASPECT_RATIO * (egg.width_mm or 1.0)) for egg in eggs]
