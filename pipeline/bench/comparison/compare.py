"""Measures several methods on the same frames and compares each with the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.bench.comparison.entries import Entry
from pipeline.bench.comparison.resampling import Estimate, Sampled, Statistic, animal_weights, sample
from pipeline.bench.comparison.statistics import count_error, hota, shelled_average_precision
from pipeline.bench.count_comparison import compare_counts
from pipeline.bench.ground_truth import DataSet

__all__ = ["FIGURES", "ComparedEntry", "Comparison", "Figure", "compare_entries"]


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
    """

    name: str
    figures: Mapping[str, Estimate]
    first_minus_this: Mapping[str, Estimate]
    counted: int
    counts_note: str
    settings: Mapping[str, Any]


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


def compare_entries(data_set: DataSet, entries: Sequence[Entry], *, resamples: int, seed: int) -> Comparison:
    """The figures of each entry with intervals, and paired differences from the first. A figure that an entry does not
    give is missing.
    """
    weights = animal_weights(len(data_set.animals), resamples, seed)
    sampled: list[dict[str, Sampled]] = [
        {name: sample(statistic, weights) for name, statistic in _statistics(data_set, entry).items()}
        for entry in entries
    ]
    compared = []
    for entry, own in zip(entries, sampled, strict=True):
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
            )
        )
    return Comparison(data_set.name, len(data_set.animals), len(data_set.frames.ids), resamples, seed, tuple(compared))


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
