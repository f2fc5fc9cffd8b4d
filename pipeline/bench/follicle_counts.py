"""Metrics of the counts of follicles, of animals that carry nothing else, and of animals that carry nothing at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.stages import STAGES
from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.ground_truth import FOLLICLE
from pipeline.bench.strata import FOLLICLE_NUMBERS, in_range

__all__ = ["AnimalsWithNothing", "FollicleCounts", "FollicleMetrics", "follicle_metrics"]

# Errors of a count that change nothing for the animal: follicles, or a share of the truth. Judgement, no source.
_TOLERATED, _TOLERATED_SHARE = 2, 0.25


@dataclass(frozen=True)
class FollicleCounts:
    """Follicles reported for each animal against those that its sweeps crossed.

    animals : with a result;  bias, mean_absolute_error : means, in follicles
    within_2_or_quarter : share of animals off by at most 2, or by a quarter of the truth if that is more
    interval_coverage : share of the animals with an interval, None without one
    lower_bound_violations : animals whose lower bound exceeds the truth
    """

    animals: int
    bias: float
    mean_absolute_error: float
    within_2_or_quarter: float
    interval_coverage: float | None
    lower_bound_violations: int


@dataclass(frozen=True)
class AnimalsWithNothing:
    """Animals that carry neither eggs nor follicles.

    told_eggs, told_follicles : animals reported with some;  clips : that were read
    eggs_per_clip, follicles_per_clip : false listings over these clips; None without a clip
    """

    animals: int
    told_eggs: int
    told_follicles: int
    clips: int
    eggs_per_clip: float | None
    follicles_per_clip: float | None


@dataclass(frozen=True)
class FollicleMetrics:
    """How follicles are counted.

    by_number : by the number of follicles crossed, see `FOLLICLE_NUMBERS`; strata without an animal are left out
    follicles_only : animals with a result that carry no shelled egg and whose sweeps crossed follicles
    follicles_only_told_eggs, follicles_only_told_nothing : those of them that were reported with shelled eggs, and with
    neither eggs nor follicles
    """

    by_number: dict[str, FollicleCounts]
    follicles_only: int
    follicles_only_told_eggs: int
    follicles_only_told_nothing: int
    with_nothing: AnimalsWithNothing


def follicle_metrics(rows: Sequence[CountComparison], results: Sequence[Mapping[str, Any]]) -> FollicleMetrics:
    """The metrics over the animals of one data set. results : the ``result.json`` of each animal"""
    done = [row for row in rows if row.follicles_estimate is not None]
    only = [row for row in done if row.follicles_crossed and not row.carried]
    crossed = np.array([row.follicles_crossed for row in done], dtype=np.float64)
    strata = {name: np.flatnonzero(in_range(crossed, limits)) for name, limits in FOLLICLE_NUMBERS.items()}
    return FollicleMetrics(
        by_number={
            name: _counts([done[row] for row in inside.tolist()]) for name, inside in strata.items() if len(inside)
        },
        follicles_only=len(only),
        follicles_only_told_eggs=sum(bool(row.estimate) for row in only),
        follicles_only_told_nothing=sum(not row.estimate and not row.follicles_estimate for row in only),
        with_nothing=_animals_with_nothing(done, results),
    )


def _counts(rows: Sequence[CountComparison]) -> FollicleCounts:
    """Of animals with a result, at least one."""
    estimate, crossed = (
        np.array(values, dtype=np.int64)
        for values in ([row.follicles_estimate for row in rows], [row.follicles_crossed for row in rows])
    )
    covered = [
        row.follicles_interval90[0] <= row.follicles_crossed <= row.follicles_interval90[1]
        for row in rows
        if row.follicles_interval90 is not None
    ]
    error = estimate - crossed
    return FollicleCounts(
        animals=len(rows),
        bias=float(error.mean()),
        mean_absolute_error=float(np.abs(error).mean()),
        within_2_or_quarter=float((np.abs(error) <= np.maximum(_TOLERATED, _TOLERATED_SHARE * crossed)).mean()),
        interval_coverage=float(np.mean(covered)) if covered else None,
        lower_bound_violations=sum((row.follicles_at_least or 0) > row.follicles_crossed for row in rows),
    )


def _animals_with_nothing(rows: Sequence[CountComparison], results: Sequence[Mapping[str, Any]]) -> AnimalsWithNothing:
    empty = {row.animal: row for row in rows if not row.carried and not row.follicles_carried}
    documents = [result for result in results if result["animal"] in empty]
    clips = sum(clip["status"] == "done" for result in documents for clip in result["clips"])
    listed = [egg["stage"] == STAGES[FOLLICLE] for result in documents for egg in result["eggs"]]
    return AnimalsWithNothing(
        animals=len(empty),
        told_eggs=sum(bool(row.estimate) for row in empty.values()),
        told_follicles=sum(bool(row.follicles_estimate) for row in empty.values()),
        clips=clips,
        eggs_per_clip=(len(listed) - sum(listed)) / clips if clips else None,
        follicles_per_clip=sum(listed) / clips if clips else None,
    )
