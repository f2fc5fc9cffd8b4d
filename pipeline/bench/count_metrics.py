"""Animals counted: shelled eggs estimated against those that the sweeps crossed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.calibration_error import expected_calibration_error
from pipeline.bench.count_table import Comparison

__all__ = ["SMALL", "CountFigures", "EitherWay", "count_figures"]

SMALL = 15
"""Eggs; the width of the interval is told of clutches up to here, too, since that of large ones goes with them."""


@dataclass(frozen=True)
class EitherWay:
    """The same, where eggs that only show count neither way: an estimate that has some of them is as right as one
    without. exact, within_1, interval_holds : shares;  bias : mean, in eggs
    """

    exact: float
    within_1: float
    interval_holds: float
    bias: float


@dataclass(frozen=True)
class CountFigures:
    """Shelled eggs an animal, against those that its sweeps crossed; shares and means are None without an animal.

    animals : with a result;  missing : without one;  exact, within_1, within_2, interval_holds : shares
    interval_width_median : eggs;  small_width_median : the same where `SMALL` eggs or fewer were crossed
    confidence : mean, as stated;  calibration_error : of it, expected
    bias, absolute_error : mean, in eggs;  at_least_above : animals whose bound exceeds the truth
    either_way : None where the truth does not tell what only shows
    called_gravid : egg-free animals reported with eggs;  called_empty : animals with eggs reported as none seen
    """

    animals: int
    missing: int
    exact: float | None
    within_1: float | None
    within_2: float | None
    bias: float | None
    absolute_error: float | None
    interval_holds: float | None
    interval_width_median: float | None
    small_width_median: float | None
    confidence: float | None
    calibration_error: float | None
    at_least_above: int
    egg_free: int
    called_gravid: int
    called_empty: int
    either_way: EitherWay | None


def count_figures(rows: Sequence[Comparison]) -> CountFigures:
    """Of one data set's animals."""
    done = [row for row in rows if row.estimate is not None]

    def numbers(values: Sequence[int | None]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array(values, dtype=np.int64)

    estimate, at_least = numbers([row.estimate for row in done]), numbers([row.at_least for row in done])
    crossed, carried = numbers([row.crossed for row in done]), numbers([row.carried for row in done])
    low = numbers([row.interval90[0] for row in done if row.interval90])
    high = numbers([row.interval90[1] for row in done if row.interval90])
    error, small = estimate - crossed, crossed <= SMALL
    told = np.array([row.confidence is not None for row in done], dtype=bool)
    stated = np.array([row.confidence for row in done if row.confidence is not None], dtype=np.float64)

    def mean(values: np.ndarray[tuple[int], np.dtype[np.int64 | np.bool_]]) -> float | None:
        return float(values.mean()) if len(values) else None

    return CountFigures(
        animals=len(done),
        missing=len(rows) - len(done),
        exact=mean(error == 0),
        within_1=mean(np.abs(error) <= 1),
        within_2=mean(np.abs(error) <= 2),
        bias=mean(error),
        absolute_error=mean(np.abs(error)),
        interval_holds=mean((low <= crossed) & (crossed <= high)),
        interval_width_median=float(np.median(high - low)) if done else None,
        small_width_median=float(np.median((high - low)[small])) if small.any() else None,
        confidence=float(stated.mean()) if told.any() else None,
        calibration_error=expected_calibration_error(stated, (np.abs(error) <= 1)[told]),
        at_least_above=int((at_least > crossed).sum()),
        egg_free=int((carried == 0).sum()),
        called_gravid=int(((carried == 0) & (estimate > 0)).sum()),
        called_empty=int(((crossed > 0) & (estimate == 0)).sum()),
        either_way=_either_way(done),
    )


def _either_way(rows: Sequence[Comparison]) -> EitherWay | None:
    known = [
        (row.estimate, row.interval90, row.crossed, row.shown)
        for row in rows
        if row.estimate is not None and row.interval90 is not None and row.shown is not None
    ]
    if not known or len(known) < len(rows):
        return None
    error = np.array([min(one - least, 0) + max(one - most, 0) for one, _, least, most in known])
    holds = [interval[0] <= most and interval[1] >= least for _, interval, least, most in known]
    return EitherWay(
        float((error == 0).mean()), float((np.abs(error) <= 1).mean()), float(np.mean(holds)), float(error.mean())
    )
