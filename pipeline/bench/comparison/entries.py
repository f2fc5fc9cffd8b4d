"""What is compared: our batch, simpler counts and other trackers on its detections, and any other method."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from pipeline.bench.baseline_counts import most_in_one_frame, simpler_counts
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.cost import MethodCost
from pipeline.bench.other_trackers import MissingTrackersError, other_trackers, tracked_by
from pipeline.bench.result_files import read_results
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.stated_counts import StatedCounts
from pipeline.settings_tables import TrackSettings

__all__ = ["Entry", "entries_of_own_detections", "entry_of_results", "with_distinct_names"]


@dataclass(frozen=True)
class Entry:
    """One line of a comparison.

    counts_note : how its detections were counted where the method does not count itself, else ""
    settings : of the method, and how they were chosen; empty where unknown
    cost : of finding the outlines, None where it was not measured
    learned_from : a phrase, "" for nothing or where it is unknown
    """

    name: str
    results: MethodResults
    counts_note: str = ""
    settings: Mapping[str, Any] = field(default_factory=dict)
    cost: MethodCost | None = None
    learned_from: str = ""


def entry_of_results(
    name: str,
    data_set: DataSet,
    results: MethodResults,
    settings: Mapping[str, Any] | None = None,
    cost: MethodCost | None = None,
    learned_from: str = "",
) -> Entry:
    """The line of one method. Detections without counts are counted as the most in one frame."""
    if results.counts is not None or results.found is None:
        return Entry(name, results, settings=settings or {}, cost=cost, learned_from=learned_from)
    found = results.found
    most = most_in_one_frame(found, data_set.frames, np.ones(len(found.frame), dtype=bool))
    counts = {animal: StatedCounts(estimate=most.get(animal, 0)) for animal in data_set.animals}
    return Entry(name, replace(results, counts=counts), "most in one frame", settings or {}, cost, learned_from)


def with_distinct_names(entries: Sequence[Entry]) -> list[Entry]:
    """The same lines; of several with one name the second is called "NAME (2)", and so on."""
    times: Counter[str] = Counter()
    distinct = []
    for each in entries:
        times[each.name] += 1
        again = times[each.name]
        distinct.append(each if again == 1 else replace(each, name=f"{each.name} ({again})"))
    return distinct


def entries_of_own_detections(data_set: DataSet, own: MethodResults, settings: TrackSettings) -> list[Entry]:
    """Simpler ways to count the eggs that our batch lists, and, where they are installed, other trackers.

    own : results of our batch;  settings : of our tracker; the others use its score thresholds
    """
    if own.found is None:
        return []
    ways = simpler_counts(own.found, data_set.frames, read_results(own.exams.values()))
    entries = [
        Entry(
            f"ours, {way}",
            MethodResults(counts={animal: StatedCounts(estimate=number) for animal, number in counts.items()}),
        )
        for way, counts in ways.items()
    ]
    try:
        trackers = other_trackers(settings)
    except MissingTrackersError:
        return entries
    return entries + [
        Entry(
            f"ours + {name}",
            MethodResults(
                found=tracked_by(data_set, own.found, tracker, minimum_score=settings.association_score),
                has_tracks=True,
            ),
        )
        for name, tracker in trackers.items()
    ]
