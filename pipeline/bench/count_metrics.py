"""Metrics of the counts: estimated shelled eggs against those that the sweeps crossed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.calibration_error import expected_calibration_error, reliability_bins
from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.strata import CLUTCH_SIZES, in_range

__all__ = ["CountMetrics", "CountMetricsIgnoringOccluded", "count_metrics", "count_metrics_by_clutch"]


@dataclass(frozen=True)
class CountMetricsIgnoringOccluded:
    """The same metrics where partly occluded eggs are ignored: an estimate may include some of them or none.

    exact, within_1, interval_coverage : shares of animals;  bias : mean error in eggs
    """

    exact: float
    within_1: float
    interval_coverage: float
    bias: float


@dataclass(frozen=True)
class CountMetrics:
    """Shelled eggs per animal against those that its sweeps crossed. Shares and means are None without an animal.

    animals : with a result;  missing : without one;  exact, within_1, within_2 : shares of animals
    bias, mean_absolute_error : means, in eggs
    interval_coverage, interval_width_median : over the animals with an interval; width in eggs
    confidence : mean stated probability that the count is within one
    calibration_error : expected calibration error of that confidence
    lower_bound_violations : animals whose lower bound exceeds the truth
    egg_free : animals without eggs;  false_gravid : those of them that were reported with eggs
    missed_gravid : animals with crossed eggs that were reported as none seen
    ignoring_occluded : None where the ground truth does not list occluded eggs
    """

    animals: int
    missing: int
    exact: float | None
    within_1: float | None
    within_2: float | None
    bias: float | None
    mean_absolute_error: float | None
    interval_coverage: float | None
    interval_width_median: float | None
    confidence: float | None
    calibration_error: float | None
    lower_bound_violations: int
    egg_free: int
    false_gravid: int
    missed_gravid: int
    ignoring_occluded: CountMetricsIgnoringOccluded | None


def count_metrics(rows: Sequence[CountComparison]) -> CountMetrics:
    """The metrics over the animals of one data set."""
    done = [row for row in rows if row.estimate is not None]

    def integers(values: Sequence[int | None]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array(values, dtype=np.int64)

    estimate = integers([row.estimate for row in done])
    crossed, carried = integers([row.crossed for row in done]), integers([row.carried for row in done])
    intervals = [(*row.interval90, row.crossed) for row in done if row.interval90]
    low, high, inside = np.array(intervals, dtype=np.int64).reshape(-1, 3).T
    error = estimate - crossed
    has_confidence = np.array([row.confidence is not None for row in done], dtype=bool)
    confidence = np.array([row.confidence for row in done if row.confidence is not None], dtype=np.float64)

    def mean(values: np.ndarray[tuple[int], np.dtype[np.int64 | np.bool_]]) -> float | None:
        return float(values.mean()) if len(values) else None

    return CountMetrics(
        animals=len(done),
        missing=len(rows) - len(done),
        exact=mean(error == 0),
        within_1=mean(np.abs(error) <= 1),
        within_2=mean(np.abs(error) <= 2),
        bias=mean(error),
        mean_absolute_error=mean(np.abs(error)),
        interval_coverage=mean((low <= inside) & (inside <= high)),
        interval_width_median=float(np.median(high - low)) if intervals else None,
        confidence=float(confidence.mean()) if has_confidence.any() else None,
        calibration_error=expected_calibration_error(
            reliability_bins(confidence, (np.abs(error) <= 1)[has_confidence])
        ),
        lower_bound_violations=sum(row.at_least is not None and row.at_least > row.crossed for row in done),
        egg_free=int((carried == 0).sum()),
        false_gravid=int(((carried == 0) & (estimate > 0)).sum()),
        missed_gravid=int(((crossed > 0) & (estimate == 0)).sum()),
        ignoring_occluded=_ignoring_occluded(done),
    )


def count_metrics_by_clutch(rows: Sequence[CountComparison]) -> dict[str, CountMetrics]:
    """The metrics by the number of shelled eggs crossed, see `CLUTCH_SIZES`; strata without an animal are left out."""
    crossed = np.array([row.crossed for row in rows], dtype=np.float64)
    strata = {name: np.flatnonzero(in_range(crossed, limits)) for name, limits in CLUTCH_SIZES.items()}
    return {
        name: count_metrics([rows[row] for row in inside.tolist()]) for name, inside in strata.items() if len(inside)
    }


def _ignoring_occluded(rows: Sequence[CountComparison]) -> CountMetricsIgnoringOccluded | None:
    known = [
        (row.estimate, row.interval90, row.crossed, row.shown)
        for row in rows
        if row.estimate is not None and row.interval90 is not None and row.shown is not None
    ]
    if not known or len(known) < len(rows):
        return None
    error = np.array([min(estimate - crossed, 0) + max(estimate - shown, 0) for estimate, _, crossed, shown in known])
    is_covered = [interval[0] <= shown and interval[1] >= crossed for _, interval, crossed, shown in known]
    return CountMetricsIgnoringOccluded(
        exact=float((error == 0).mean()),
        within_1=float((np.abs(error) <= 1).mean()),
        interval_coverage=float(np.mean(is_covered)),
        bias=float(error.mean()),
    )
