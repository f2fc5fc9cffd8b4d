"""Eggs counted twice and eggs missed, which cancel each other out in the error of a count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.evaluation_thresholds import MIN_OUTLINE_IOU
from models.outline_matching import match
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, DataSetFrames, TrueObjects, rows_by_frame

__all__ = ["CountErrors", "count_errors"]

# An egg that matches another object in at least as many frames is merged with it. Common practice, no source.
_MIN_MERGED_FRAMES = 3


@dataclass(frozen=True)
class CountErrors:
    """Shelled eggs in the results against those that were crossed.

    crossed = listed - duplicates - false_eggs + merged + missed

    crossed : objects that a clip crossed, according to ``animals.json``;  listed : eggs in the results
    duplicates : eggs beyond the first of one object;  false_eggs : eggs that match no shelled object
    merged : crossed objects that were merged with another;  missed : crossed objects that no egg matches
    """

    crossed: int
    listed: int
    duplicates: int
    false_eggs: int
    merged: int
    missed: int


def count_errors(
    data_set: DataSet, found: ExportedDetections, results: Sequence[Mapping[str, Any]]
) -> CountErrors | None:
    """The errors over all animals of a data set; None where it does not identify objects.

    results : the ``result.json`` of each animal
    """
    truth = data_set.objects
    if not truth.object_id.all():
        return None
    votes = _votes(truth, found, data_set.frames)
    crossed = _crossed(data_set)
    listed_objects: Counter[tuple[str, int]] = Counter()
    matched_often: set[tuple[str, int]] = set()
    listed = false_eggs = 0
    for result in results:
        for egg in result["eggs"]:
            if egg["stage"] == "follicle":
                continue
            listed += 1
            objects = votes.get((result["animal"], egg["id"]), Counter())
            matched_often |= {
                (result["animal"], identity) for identity, frames in objects.items() if frames >= _MIN_MERGED_FRAMES
            }
            if objects:
                listed_objects[result["animal"], objects.most_common(1)[0][0]] += 1
            else:
                false_eggs += 1
    not_listed = crossed - set(listed_objects)
    # An object that is listed although no clip crossed it well is not an error. It counts as crossed.
    return CountErrors(
        crossed=len(crossed | set(listed_objects)),
        listed=listed,
        duplicates=listed_objects.total() - len(listed_objects),
        false_eggs=false_eggs,
        merged=len(not_listed & matched_often),
        missed=len(not_listed - matched_often),
    )


def _votes(truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames) -> dict[tuple[str, int], Counter[int]]:
    """By animal and egg, the shelled objects that it matches, and in how many frames."""
    votes: dict[tuple[str, int], Counter[int]] = {}
    animals = [animal for animal, _, _ in frames.ids]
    for animal, found_rows, true_rows in zip(
        animals, rows_by_frame(found.frame, frames), rows_by_frame(truth.frame, frames), strict=True
    ):
        found_rows, true_rows = found_rows[found.egg[found_rows] > 0], true_rows[truth.is_shelled[true_rows]]
        i, j, _ = match(found.ellipses[found_rows], truth.ellipses[true_rows], minimum_overlap=MIN_OUTLINE_IOU)
        for row, true_row in zip(found_rows[i].tolist(), true_rows[j].tolist(), strict=True):
            votes.setdefault((animal, int(found.egg[row])), Counter())[int(truth.object_id[true_row])] += 1
    return votes


def _crossed(data_set: DataSet) -> set[tuple[str, int]]:
    """Animal and identity of the shelled objects that a clip crossed."""
    truth, names = data_set.objects, data_set.frames.ids
    shelled = {
        (names[truth.frame[row]][0], int(truth.object_id[row])) for row in np.flatnonzero(truth.is_shelled).tolist()
    }
    crossed = {
        (animal, identity)
        for animal, known in data_set.animals.items()
        for clip in known.clips.values()
        for identity in clip.crossed_ids or ()
    }
    return shelled & crossed
