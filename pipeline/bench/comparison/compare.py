"""Measures several methods on the same frames and compares each with the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.calibration_error import ReliabilityBin
from pipeline.bench.comparison.animal_strata import (
    AnimalStratum,
    StratumFigures,
    clutch_strata,
    figures_of_strata,
    world_strata,
)
from pipeline.bench.comparison.entries import Entry
from pipeline.bench.comparison.object_strata import object_strata_figures
from pipeline.bench.comparison.resampling import Estimate, Sampled, Statistic, animal_weights, sample
from pipeline.bench.comparison.stated_trust import count_reliability, review_of_counts
from pipeline.bench.comparison.statistics import count_error, hota, shelled_average_precision
from pipeline.bench.count_comparison import compare_counts
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.cost import MethodCost
from pipeline.bench.risk_coverage import RiskCoverage

__all__ = ["FIGURES", "ComparedEntry", "Comparison", "Figure", "compare_entries"]


_STRATUM_RESAMPLES = 200  # of the draws, since there are many strata


@dataclass(frozen=True)
class Figure:
    """One column. form : format of a value;  lower_is_better : whether a smaller value is better"""

    name: str
    form: str
    lower_is_better: bool = False


FIGURES = (
    Figure("AP50", ".3f"),
    Figure("AP50:95", ".3f"),
    Figure("HOTA", ".3f"),
    Figure("count error", ".2f", lower_is_better=True),
)


@dataclass(frozen=True)
class ComparedEntry:
    """The figures of one method by name, and those of the first method minus these.

    counted : animals with a count
    strata : AP50 by object, and by animal also HOTA and count error
    review : whether its order of review finds wrong results, None where it states no stage and confidence
    reliability : of the stated confidence that a count is within one; empty where none is stated
    cost : None where it was not measured
    learned_from : a phrase, "" for nothing
    """

    name: str
    figures: Mapping[str, Estimate]
    first_minus_this: Mapping[str, Estimate]
    counted: int
    counts_note: str
    settings: Mapping[str, Any]
    strata: tuple[StratumFigures, ...]
    review: RiskCoverage | None
    reliability: tuple[ReliabilityBin, ...]
    cost: MethodCost | None
    learned_from: str


@dataclass(frozen=True)
class Comparison:
    """A comparison on one data set. resamples, seed : of the draws of animals"""

    data_set: str
    animals: int
    frames: int
    resamples: int
    seed: int
    entries: tuple[ComparedEntry, ...]

    def document(self) -> dict[str, Any]:
        """All figures in types of JSON."""
        return asdict(self)


def compare_entries(
    data_set: DataSet,
    entries: Sequence[Entry],
    *,
    resamples: int,
    seed: int,
    recording_strata: Sequence[AnimalStratum] = (),
) -> Comparison:
    """The figures of each entry with intervals, and paired differences from the first. A figure that an entry does not
    give is missing.

    recording_strata : beside those by world and clutch, see `pipeline.bench.comparison.recording_strata`
    """
    weights = animal_weights(len(data_set.animals), resamples, seed)
    strata = [*world_strata(data_set), *clutch_strata(data_set), *recording_strata]
    statistics = [_statistics(data_set, entry) for entry in entries]
    sampled: list[dict[str, Sampled]] = [
        {name: sample(statistic, weights) for name, statistic in each.items()} for each in statistics
    ]
    compared = []
    for entry, of_entry, own in zip(entries, statistics, sampled, strict=True):
        first = sampled[0]
        compared.append(
            ComparedEntry(
                name=entry.name,
                figures={name: each.estimate() for name, each in own.items()},
                first_minus_this={
                    name: first[name].minus(each).estimate()
                    for name, each in own.items()
                    if name in first and own is not first
                },
                counted=sum(counts.estimate is not None for counts in (entry.results.counts or {}).values()),
                counts_note=entry.counts_note,
                settings=entry.settings,
                strata=_strata(data_set, entry, of_entry, strata, weights[:_STRATUM_RESAMPLES]),
                review=review_of_counts(data_set, entry.results),
                reliability=count_reliability(data_set, entry.results),
                cost=entry.cost,
                learned_from=entry.learned_from,
            )
        )
    return Comparison(data_set.name, len(data_set.animals), len(data_set.frames.ids), resamples, seed, tuple(compared))


def _strata(
    data_set: DataSet,
    entry: Entry,
    statistics: Mapping[str, Statistic],
    strata: Sequence[AnimalStratum],
    weights: NDArray[np.float64],
) -> tuple[StratumFigures, ...]:
    """By object where it has detections, and by animal. AP50:95 is left out, which takes ten times as long."""
    found = entry.results.found
    by_object = [] if found is None else object_strata_figures(data_set, found, weights)
    quick = {name: each for name, each in statistics.items() if name != "AP50:95"}
    return (*by_object, *figures_of_strata(quick, strata, weights))


def _statistics(data_set: DataSet, entry: Entry) -> dict[str, Statistic]:
    statistics: dict[str, Statistic] = {}
    results = entry.results
    if results.found is not None:
        at_half, mean = shelled_average_precision(data_set, results.found)
        statistics |= {"AP50": at_half, "AP50:95": mean}
        if results.has_tracks:
            statistics["HOTA"] = hota(data_set, results.found)
    if results.counts is not None:
        rows = compare_counts(data_set.animals, results.counts)
        errors = [None if row.estimate is None else row.estimate - row.crossed for row in rows]
        statistics["count error"] = count_error(errors)
    return statistics
