"""Animals counted: shelled eggs estimated against those that the sweeps crossed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.calibration_error import expected_calibration_error
from pipeline.bench.count_comparison import CountComparison

__all__ = ["SMALL_CLUTCH_EGGS", "CountMetrics", "CountMetricsIgnoringOccluded", "count_metrics"]

SMALL_CLUTCH_EGGS = 15
"""Eggs; the width of the interval is told of clutches up to here, too, since that of large ones goes with them."""


@dataclass(frozen=True)
class CountMetricsIgnoringOccluded:
    """The same, where eggs that only show count neither way: an estimate that has some of them is as right as one
    without. exact, within_1, interval_coverage : shares;  bias : mean, in eggs
    """

    exact: float
    within_1: float
    interval_coverage: float
    bias: float


@dataclass(frozen=True)
class CountMetrics:
    """Shelled eggs an animal, against those that its sweeps crossed; shares and means are None without an animal.

    animals : with a result;  missing : without one;  exact, within_1, within_2, interval_coverage : shares
    interval_width_median : eggs;  small_clutch_width_median : the same where `SMALL_CLUTCH_EGGS` eggs or fewer were crossed
    confidence : mean, as stated;  calibration_error : of it, expected
    bias, mean_absolute_error : mean, in eggs;  lower_bound_violations : animals whose bound exceeds the truth
    ignoring_occluded : None where the truth does not tell what only shows
    false_gravid : egg-free animals reported with eggs;  missed_gravid : animals with eggs reported as none seen
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
    small_clutch_width_median: float | None
    confidence: float | None
    calibration_error: float | None
    lower_bound_violations: int
    egg_free: int
    false_gravid: int
    missed_gravid: int
    ignoring_occluded: CountMetricsIgnoringOccluded | None


def count_metrics(rows: Sequence[CountComparison]) -> CountMetrics:
    """Of one data set's animals."""
    done = [row for row in rows if row.estimate is not None]

    def numbers(values: Sequence[int | None]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array(values, dtype=np.int64)

    estimate, at_least = numbers([row.estimate for row in done]), numbers([row.at_least for row in done])
    crossed, carried = numbers([row.crossed for row in done]), numbers([row.carried for row in done])
    low = numbers([row.interval90[0] for row in done if row.interval90])
    high = numbers([row.interval90[1] for row in done if row.interval90])
    error, small = estimate - crossed, crossed <= SMALL_CLUTCH_EGGS
    told = np.array([row.confidence is not None for row in done], dtype=bool)
    stated = np.array([row.confidence for row in done if row.confidence is not None], dtype=np.float64)

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
        interval_coverage=mean((low <= crossed) & (crossed <= high)),
        interval_width_median=float(np.median(high - low)) if done else None,
        small_clutch_width_median=float(np.median((high - low)[small])) if small.any() else None,
        confidence=float(stated.mean()) if told.any() else None,
        calibration_error=expected_calibration_error(stated, (np.abs(error) <= 1)[told]),
        lower_bound_violations=int((at_least > crossed).sum()),
        egg_free=int((carried == 0).sum()),
        false_gravid=int(((carried == 0) & (estimate > 0)).sum()),
        missed_gravid=int(((crossed > 0) & (estimate == 0)).sum()),
        ignoring_occluded=_either_way(done),
    )


def _either_way(rows: Sequence[CountComparison]) -> CountMetricsIgnoringOccluded | None:
    known = [
        (row.estimate, row.interval90, row.crossed, row.shown)
        for row in rows
        if row.estimate is not None and row.interval90 is not None and row.shown is not None
    ]
    if not known or len(known) < len(rows):
        return None
    error = np.array([min(one - least, 0) + max(one - most, 0) for one, _, least, most in known])
    holds = [interval[0] <= most and interval[1] >= least for _, interval, least, most in known]
    return CountMetricsIgnoringOccluded(
        float((error == 0).mean()), float((np.abs(error) <= 1).mean()), float(np.mean(holds)), float(error.mean())
    )
