"""Which true object each listed egg is, with what was reported of it and what is true of it."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet

__all__ = ["MatchedEgg", "MatchedSections", "match_eggs"]

MIN_FRAMES = 3  # in which an egg's outline lay on one and the same object, for the egg to be that object


@dataclass(frozen=True)
class MatchedSections:
    """One egg in one clip, in the F frames in which its outline was found on the object. Both (F, 5) px, in order."""

    found_ellipses: NDArray[np.float64]
    true_ellipses: NDArray[np.float64]
    mm_per_px: float


@dataclass(frozen=True)
class MatchedEgg:
    """reported : the egg in ``result.json``;  stage : the object's, from 0 follicle to 2 calcified

    length_mm, width_mm : of the whole object, None where the data set does not tell them
    sections : by clip;  widest_section_mm : of all its true sections that were drawn in any frame, 0 without a scale
    """

    animal: str
    reported: Mapping[str, Any]
    stage: int
    length_mm: float | None
    width_mm: float | None
    sections: tuple[MatchedSections, ...]
    widest_section_mm: float


def match_eggs(
    data_set: DataSet, found: ExportedDetections, matches: Matches, folders: Mapping[tuple[str, str], Path]
) -> list[MatchedEgg]:
    """The listed eggs that are true objects, each by the object that most of its outlines were found on."""
    truth, names = data_set.objects, data_set.frames.ids
    pairs: dict[tuple[str, int], list[tuple[int, int]]] = defaultdict(list)
    for row, true in zip(matches.detection_rows.tolist(), matches.object_rows.tolist(), strict=True):
        if found.egg[row] and truth.object_id[true]:
            pairs[names[found.frame[row]][0], int(found.egg[row])].append((row, true))
    widest: dict[tuple[str, int], float] = defaultdict(float)
    breadths = 2 * truth.ellipses[:, 3] * data_set.frames.mm_per_px[truth.frame]
    for frame, identity, breadth in zip(truth.frame.tolist(), truth.object_id.tolist(), breadths.tolist(), strict=True):
        if breadth > widest[names[frame][0], identity]:
            widest[names[frame][0], identity] = breadth
    seen = []
    for animal, entry in data_set.animals.items():
        folder = folders.get((animal, entry["date"]))
        if folder is None:
            continue
        axes = {one["id"]: one["axes_mm"] for one in entry.get("objects", ())}
        for reported in json.loads((folder / "result.json").read_text(encoding="utf-8"))["eggs"]:
            rows = pairs[animal, reported["id"]]
            votes = Counter(int(truth.object_id[true]) for _, true in rows).most_common(1)
            if not votes or votes[0][1] < MIN_FRAMES:
                continue
            identity = votes[0][0]
            own = sorted((found.frame[row], row, true) for row, true in rows if truth.object_id[true] == identity)
            longest, *others = axes.get(identity, (None, None))
            seen.append(
                MatchedEgg(
                    animal=animal,
                    reported=reported,
                    stage=int(truth.stage[own[0][2]]) - 1,
                    length_mm=longest,
                    width_mm=None if longest is None else float(np.mean(others)),
                    sections=_sections(data_set, found, [(row, true) for _, row, true in own]),
                    widest_section_mm=widest[animal, identity],
                )
            )
    return seen


def _sections(data_set: DataSet, found: ExportedDetections, rows: list[tuple[int, int]]) -> tuple[MatchedSections, ...]:
    by_clip: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for row, true in rows:
        by_clip[data_set.frames.ids[found.frame[row]][1]].append((row, true))
    return tuple(
        MatchedSections(
            found.ellipses[[row for row, _ in own]],
            data_set.objects.ellipses[[true for _, true in own]],
            float(data_set.frames.mm_per_px[found.frame[own[0][0]]]),
        )
        for own in by_clip.values()
    )
