"""Animals counted: shelled eggs estimated against those that the sweeps crossed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.comparison import Comparison

__all__ = ["CountFigures", "count_figures"]


@dataclass(frozen=True)
class CountFigures:
    """Shelled eggs an animal, against those that its sweeps crossed; shares and means are None without an animal.

    animals : with a result;  missing : without one;  exact, within_1, within_2, interval_holds : shares
    bias, absolute_error : mean, in eggs;  at_least_above : animals whose bound exceeds the truth
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
    at_least_above: int
    egg_free: int
    called_gravid: int
    called_empty: int


def count_figures(rows: Sequence[Comparison]) -> CountFigures:
    """Of one data set's animals."""
    done = [row for row in rows if row.estimate is not None]

    def numbers(values: Sequence[int | None]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array(values, dtype=np.int64)

    estimate, at_least = numbers([row.estimate for row in done]), numbers([row.at_least for row in done])
    crossed, carried = numbers([row.crossed for row in done]), numbers([row.carried for row in done])
    low = numbers([row.interval90[0] for row in done if row.interval90])
    high = numbers([row.interval90[1] for row in done if row.interval90])
    error = estimate - crossed

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
        at_least_above=int((at_least > crossed).sum()),
        egg_free=int((carried == 0).sum()),
        called_gravid=int(((carried == 0) & (estimate > 0)).sum()),
        called_empty=int(((crossed > 0) & (estimate == 0)).sum()),
    )
