"""Whether the reported sizes of eggs and follicles are right, and whether their 90 % intervals are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.stages import STAGES
from pipeline.bench.ground_truth import FOLLICLE
from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.settings_tables import SizeSettings

__all__ = ["FollicleDiameters", "SizeMetrics", "follicle_diameters", "size_metrics"]

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


@dataclass(frozen=True)
class FollicleDiameters:
    """The diameters of follicles that are listed as follicles: the means of their three axes.

    follicles : number of them;  by_section : of these, follicles whose axes are unknown, so that the width of their
    widest section in any frame stands for the true diameter
    error_mm : median absolute error, None without a follicle
    """

    follicles: int
    by_section: int
    error_mm: float | None


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


def follicle_diameters(eggs: Sequence[MatchedEgg]) -> FollicleDiameters:
    """Of the follicles among all matched eggs. Those without a scale or a reported size are left out."""
    known = [
        (egg, _mean_axis(egg.reported["length_mm"], egg.reported["width_mm"]), _true_diameter(egg))
        for egg in eggs
        if not egg.is_shelled and egg.reported["stage"] == STAGES[FOLLICLE]
    ]
    errors = [
        (abs(reported - true), egg.length_mm is None)
        for egg, reported, true in known
        if reported is not None and true is not None
    ]
    return FollicleDiameters(
        follicles=len(errors),
        by_section=sum(by_section for _, by_section in errors),
        error_mm=float(np.median([error for error, _ in errors])) if errors else None,
    )


def _true_diameter(egg: MatchedEgg) -> float | None:
    return _mean_axis(egg.length_mm, egg.width_mm) or egg.widest_section_mm or None


def _mean_axis(length_mm: float | None, width_mm: float | None) -> float | None:
    return None if length_mm is None or width_mm is None else (length_mm + 2 * width_mm) / 3


def _is_oval(egg: MatchedEgg, settings: SizeSettings) -> bool:
    return (egg.length_mm or 0.0) >= settings.oval_aspect_ratio * (egg.width_mm or 1.0)
