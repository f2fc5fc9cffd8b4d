"""Figures of one data set: objects found in frames, and animals counted."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.matching import match, on_ignored
from pipeline.bench.truth import DataSet, FrameTruth

__all__ = ["CountFigures", "Figures", "ObjectFigures", "measure"]

MINIMUM_OVERLAP = 0.5
# Where recall and precision balance: the greatest F1 of calcified eggs on phantoms of seeds 100 and 3001. Fainter
# detections are followed too, and kept in the exports.
MINIMUM_SCORE = 0.5
STAGES = ("follicle", "thin-shelled", "calcified")


@dataclass(frozen=True)
class ObjectFigures:
    """Objects of one stage over all frames, found with a score of at least 0.5 at an overlap (intersection over
    union) of at least 0.5.

    true, found : numbers, without those that count neither way;  recall, precision : None where nothing was there
    """

    true: int
    found: int
    recall: float | None
    precision: float | None


@dataclass(frozen=True)
class CountFigures:
    """Shelled eggs an animal, against those that its sweeps crossed.

    animals : with a result;  missing : without one;  exact, within_1, within_2, interval_holds : shares
    bias, absolute_error : mean, in eggs;  at_least_above : animals whose bound exceeds the truth
    called_gravid : egg-free animals reported with eggs;  called_empty : animals with eggs reported as none seen
    """

    animals: int
    missing: int
    exact: float
    within_1: float
    within_2: float
    bias: float
    absolute_error: float
    interval_holds: float
    interval_width_median: float
    at_least_above: int
    egg_free: int
    called_gravid: int
    called_empty: int


@dataclass(frozen=True)
class Figures:
    """shelled : objects with a shell, whatever the stage said of them;  stage_right : share of matched objects"""

    name: str
    stages: dict[str, ObjectFigures]
    shelled: ObjectFigures
    stage_right: float | None
    axis_error_px: float | None
    counts: CountFigures

    def document(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "objects": {name: vars(each) for name, each in {**self.stages, "shelled": self.shelled}.items()},
            "stage_right": self.stage_right,
            "axis_error_px": self.axis_error_px,
            "counts": vars(self.counts),
        }


def measure(data_set: DataSet, results: Path) -> Figures:
    """Figures of the results that a batch over ``data_set.exams`` wrote under ``results``."""
    tally = _Tally()
    rows: list[tuple[dict[str, Any], dict[str, Any]]] = []
    missing = 0
    for animal, truth in data_set.animals.items():
        folder = results / animal / truth["date"]
        if not (folder / "result.json").is_file():
            missing += 1
            continue
        rows.append((json.loads((folder / "result.json").read_text(encoding="utf-8")), truth))
        detections = json.loads((folder / "detections.coco.json").read_text(encoding="utf-8"))
        by_image: dict[int, list[dict[str, Any]]] = {}
        for annotation in detections["annotations"]:
            if annotation["score"] >= MINIMUM_SCORE:
                by_image.setdefault(annotation["image_id"], []).append(annotation)
        for image in detections["images"]:
            known = data_set.frames.get((animal, image["clip"], image["frame"]))
            if known is not None:
                tally.add(known, by_image.get(image["id"], []))
    return Figures(
        name=data_set.name,
        stages={name: tally.of(tally.stages[:, index]) for index, name in enumerate(STAGES)},
        shelled=tally.of(tally.shelled),
        stage_right=_share(tally.stage_right, tally.matched),
        axis_error_px=float(np.median(tally.axis_errors)) if tally.axis_errors else None,
        counts=_counts(rows, missing),
    )


class _Tally:
    """true, found and right of each stage (3 x 3) and of all with a shell (3)."""

    def __init__(self) -> None:
        self.stages = np.zeros((3, 3), dtype=np.int64)
        self.shelled = np.zeros(3, dtype=np.int64)
        self.matched = 0
        self.stage_right = 0
        self.axis_errors: list[float] = []

    def add(self, known: FrameTruth, annotations: list[dict[str, Any]]) -> None:
        ellipses = np.array([a["ellipse"] for a in annotations], dtype=np.float64).reshape(-1, 5)
        stage = np.array([a["category_id"] for a in annotations], dtype=np.int64)
        wanted, wanted_stage = known.ellipses[~known.ignored], known.stage[~known.ignored]
        i, j, _ = match(ellipses, wanted, minimum_overlap=MINIMUM_OVERLAP)
        counted = ~on_ignored(ellipses, known.ellipses[known.ignored])
        counted[i] = True
        for number in (1, 2, 3):
            right = (stage[i] == number) & (wanted_stage[j] == number)
            found = (stage == number) & counted
            self.stages[:, number - 1] += (wanted_stage == number).sum(), found.sum(), right.sum()
        right = (stage[i] > 1) & (wanted_stage[j] > 1)
        self.shelled += (wanted_stage > 1).sum(), ((stage > 1) & counted).sum(), right.sum()
        self.matched += len(i)
        self.stage_right += int((stage[i] == wanted_stage[j]).sum())
        self.axis_errors += np.abs(ellipses[i, 2:4] - wanted[j, 2:4]).mean(axis=1).tolist()

    def of(self, numbers: NDArray[np.int64]) -> ObjectFigures:
        true, found, right = (int(number) for number in numbers)
        return ObjectFigures(true, found, _share(right, true), _share(right, found))


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _counts(rows: list[tuple[dict[str, Any], dict[str, Any]]], missing: int) -> CountFigures:
    estimate = np.array([result["shelled"]["estimate"] for result, _ in rows], dtype=np.int64)
    at_least = np.array([result["shelled"]["at_least"] for result, _ in rows], dtype=np.int64)
    intervals = np.array([result["shelled"]["interval90"] for result, _ in rows], dtype=np.int64).reshape(-1, 2)
    crossed = np.array([truth["shelled_seen"] for _, truth in rows], dtype=np.int64)
    carried = np.array([truth["shelled_in_animal"] for _, truth in rows], dtype=np.int64)
    error = estimate - crossed

    def mean(values: NDArray[Any]) -> float:
        return float(values.mean()) if len(values) else float("nan")

    return CountFigures(
        animals=len(rows),
        missing=missing,
        exact=mean(error == 0),
        within_1=mean(np.abs(error) <= 1),
        within_2=mean(np.abs(error) <= 2),
        bias=mean(error),
        absolute_error=mean(np.abs(error)),
        interval_holds=mean((intervals[:, 0] <= crossed) & (crossed <= intervals[:, 1])),
        interval_width_median=float(np.median(intervals[:, 1] - intervals[:, 0])) if len(rows) else float("nan"),
        at_least_above=int((at_least > crossed).sum()),
        egg_free=int((carried == 0).sum()),
        called_gravid=int(((carried == 0) & (estimate > 0)).sum()),
        called_empty=int(((crossed > 0) & (estimate == 0)).sum()),
    )
