"""Eggs counted twice, and eggs missed: in the error of a count the two cancel."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.outline_matching import match
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, DataSetFrames, TrueObjects, rows_by_frame

__all__ = ["DoubleCounts", "double_counts"]

_OVERLAP = 0.5  # of outlines, for a sighting to be one of an object
_LEAST_FRAMES = 3  # An egg that shows another one in as many has it under its name.
_FOLLICLE = 1


@dataclass(frozen=True)
class DoubleCounts:
    """Shelled eggs listed in the results, against those crossed: crossed = listed - duplicates - false_eggs + merged + missed.

    crossed : objects that a clip crossed, as ``animals.json`` tells;  listed : eggs in the results
    duplicates : eggs beyond the first of one object;  false_eggs : eggs that show no shelled object
    merged : crossed objects that lie under the name of another;  missed : crossed objects that no egg shows
    """

    crossed: int
    listed: int
    duplicates: int
    false_eggs: int
    merged: int
    missed: int


def double_counts(
    data_set: DataSet, found: ExportedDetections, results: Sequence[Mapping[str, Any]]
) -> DoubleCounts | None:
    """Of all animals of a data set; None where it does not tell objects apart.

    results : the ``result.json`` of each animal
    """
    truth = data_set.objects
    if not truth.object_id.all():
        return None
    votes = _votes(truth, found, data_set.frames)
    crossed = _crossed(data_set)
    shown: Counter[tuple[str, int]] = Counter()
    touched: set[tuple[str, int]] = set()
    eggs = invented = 0
    for result in results:
        for egg in result["eggs"]:
            if egg["stage"] == "follicle":
                continue
            eggs += 1
            objects = votes.get((result["animal"], egg["id"]), Counter())
            touched |= {(result["animal"], one) for one, number in objects.items() if number >= _LEAST_FRAMES}
            if objects:
                shown[result["animal"], objects.most_common(1)[0][0]] += 1
            else:
                invented += 1
    lost = crossed - set(shown)
    # An object that is listed though no clip crossed it well is no error, and is taken as crossed.
    return DoubleCounts(
        crossed=len(crossed | set(shown)),
        listed=eggs,
        duplicates=shown.total() - len(shown),
        false_eggs=invented,
        merged=len(lost & touched),
        missed=len(lost - touched),
    )


def _votes(truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames) -> dict[tuple[str, int], Counter[int]]:
    # By animal and egg, the shelled objects that it shows, and in how many frames.
    votes: dict[tuple[str, int], Counter[int]] = {}
    animals = [animal for animal, _, _ in frames.ids]
    shelled = truth.stage != _FOLLICLE
    for animal, seen, there in zip(
        animals, rows_by_frame(found.frame, frames), rows_by_frame(truth.frame, frames), strict=True
    ):
        seen, there = seen[found.egg[seen] > 0], there[shelled[there]]
        rows, columns, _ = match(found.ellipses[seen], truth.ellipses[there], minimum_overlap=_OVERLAP)
        for row, column in zip(seen[rows].tolist(), there[columns].tolist(), strict=True):
            votes.setdefault((animal, int(found.egg[row])), Counter())[int(truth.object_id[column])] += 1
    return votes


def _crossed(data_set: DataSet) -> set[tuple[str, int]]:
    shelled = np.flatnonzero(data_set.objects.stage != _FOLLICLE).tolist()
    names, frame, track = data_set.frames.ids, data_set.objects.frame, data_set.objects.object_id
    known = {(names[frame[row]][0], int(track[row])) for row in shelled}
    seen = {
        (animal, identity)
        for animal, entry in data_set.animals.items()
        for clip in entry["clips"].values()
        for identity in clip.get("seen_ids", ())
    }
    return known & seen
