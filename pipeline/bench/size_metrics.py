"""Whether the reported lengths and widths of eggs are right, and whether their 90 % intervals are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.settings import SizeSettings

__all__ = ["SizeMetrics", "size_metrics"]

# Only eggs with a section of at least this share of their width are measured. A section that wide passes at most 0.44
# of the way from the middle of the egg to its pole.
_MIN_WIDEST_SECTION_SHARE = 0.9

_SHAPES = ("round", "oval")


@dataclass(frozen=True)
class SizeMetrics:
    """Metrics of the sizes; None without an egg.

    eggs : measured eggs that some section crossed near their middle
    *_error_mm : median absolute error;  *_bias_mm : mean error
    *_interval_coverage : share of true values in the stated 90 % interval
    shape_reported : share of these eggs with a reported shape;  shape_accuracy : share of the reported shapes that are
    right; an egg is oval from the settings' ``oval_aspect_ratio`` on
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


def size_metrics(eggs: Sequence[MatchedEgg], settings: SizeSettings) -> SizeMetrics:
    """The metrics of eggs or of follicles."""
    known = [
        egg
        for egg in eggs
        if egg.width_mm is not None
        and egg.reported["width_mm"] is not None
        and egg.widest_section_mm >= _MIN_WIDEST_SECTION_SHARE * egg.width_mm
    ]
    if not known:
        return SizeMetrics(0, *[None] * 8)
    true = np.array([[egg.length_mm, egg.width_mm] for egg in known])
    reported = np.array([[egg.reported["length_mm"], egg.reported["width_mm"]] for egg in known])
    intervals = np.array([[egg.reported["length_interval90_mm"], egg.reported["width_interval90_mm"]] for egg in known])
    coverage = ((intervals[:, :, 0] <= true) & (true <= intervals[:, :, 1])).mean(0)
    median, bias = np.median(np.abs(reported - true), axis=0), (reported - true).mean(0)
    is_shape_right = [
        (egg.reported["shape"] == "oval") == _is_oval(egg, settings)
        for egg in known
        if egg.reported["shape"] in _SHAPES
    ]
    return SizeMetrics(
        eggs=len(known),
        length_error_mm=float(median[0]),
        length_bias_mm=float(bias[0]),
        length_interval_coverage=float(coverage[0]),
        width_error_mm=float(median[1]),
        width_bias_mm=float(bias[1]),
        width_interval_coverage=float(coverage[1]),
        shape_reported=len(is_shape_right) / len(known),
        shape_accuracy=sum(is_shape_right) / len(is_shape_right) if is_shape_right else None,
    )


def _is_oval(egg: MatchedEgg, settings: SizeSettings) -> bool:
    return (egg.length_mm or 0.0) >= settings.oval_aspect_ratio * (egg.width_mm or 1.0)
