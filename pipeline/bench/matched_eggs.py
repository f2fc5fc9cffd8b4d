"""The listed eggs that match a true object, with what was reported and what is true of them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import FOLLICLE, DataSet
from pipeline.bench.result_files import read_result

__all__ = ["MatchedEgg", "MatchedSections", "match_eggs"]

# An egg matches an object if its outline lay on that object in at least as many frames. Common practice, no source.
_MIN_FRAMES = 3


@dataclass(frozen=True)
class MatchedSections:
    """One egg in one clip, in the F frames in which its outline matches the object.

    found_ellipses, true_ellipses : (F, 5) px, in order of time
    """

    found_ellipses: NDArray[np.float64]
    true_ellipses: NDArray[np.float64]
    mm_per_px: float


@dataclass(frozen=True)
class MatchedEgg:
    """A listed egg and the true object that it matches.

    reported : the egg in ``result.json``;  stage : of the object, index in STAGES
    length_mm, width_mm : of the complete object, None where unknown
    sections : by clip;  widest_section_mm : of all true sections of the object in any frame, 0 without a scale
    """

    animal: str
    reported: Mapping[str, Any]
    stage: int
    length_mm: float | None
    width_mm: float | None
    sections: tuple[MatchedSections, ...]
    widest_section_mm: float

    @property
    def is_shelled(self) -> bool:
        """Whether the object has a shell."""
        return self.stage != FOLLICLE


def match_eggs(
    data_set: DataSet, found: ExportedDetections, matches: Matches, folders: Mapping[tuple[str, str], Path]
) -> list[MatchedEgg]:
    """The listed eggs that match a true object. An egg matches the object on which most of its outlines lie."""
    truth, names = data_set.objects, data_set.frames.ids
    pairs: dict[tuple[str, int], list[tuple[int, int]]] = defaultdict(list)
    for row, true_row in zip(matches.detection_rows.tolist(), matches.object_rows.tolist(), strict=True):
        if found.egg[row] and truth.object_id[true_row]:
            pairs[names[found.frame[row]][0], int(found.egg[row])].append((row, true_row))
    widest: dict[tuple[str, int], float] = defaultdict(float)
    widths_mm = 2 * truth.ellipses[:, 3] * data_set.frames.mm_per_px[truth.frame]
    for frame, identity, width_mm in zip(
        truth.frame.tolist(), truth.object_id.tolist(), widths_mm.tolist(), strict=True
    ):
        if width_mm > widest[names[frame][0], identity]:
            widest[names[frame][0], identity] = width_mm
    matched = []
    for animal, known in data_set.animals.items():
        folder = folders.get((animal, known.date))
        if folder is None:
            continue
        axes = {each.identity: each.axes_mm for each in known.objects or ()}
        for reported in read_result(folder)["eggs"]:
            rows = pairs[animal, reported["id"]]
            votes = Counter(int(truth.object_id[true_row]) for _, true_row in rows).most_common(1)
            if not votes or votes[0][1] < _MIN_FRAMES:
                continue
            identity = votes[0][0]
            own = sorted(
                (found.frame[row], row, true_row) for row, true_row in rows if truth.object_id[true_row] == identity
            )
            length_mm, *other_axes = axes.get(identity) or (None,)
            matched.append(
                MatchedEgg(
                    animal=animal,
                    reported=reported,
                    stage=int(truth.stage[own[0][2]]),
                    length_mm=length_mm,
                    width_mm=None if length_mm is None else float(np.mean(other_axes)),
                    sections=_sections(data_set, found, [(row, true_row) for _, row, true_row in own]),
                    widest_section_mm=widest[animal, identity],
                )
            )
    return matched


def _sections(data_set: DataSet, found: ExportedDetections, rows: list[tuple[int, int]]) -> tuple[MatchedSections, ...]:
    by_clip: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for row, true_row in rows:
        by_clip[data_set.frames.ids[found.frame[row]][1]].append((row, true_row))
    return tuple(
        MatchedSections(
            found.ellipses[[row for row, _ in own]],
            data_set.objects.ellipses[[true_row for _, true_row in own]],
            float(data_set.frames.mm_per_px[found.frame[own[0][0]]]),
        )
        for own in by_clip.values()
    )
