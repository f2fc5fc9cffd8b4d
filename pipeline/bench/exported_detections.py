"""The detections that a batch exported for the frames of a data set."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import FOLLICLE, DataSet

__all__ = ["ExportedDetections", "read_exported_detections"]


@dataclass(frozen=True)
class ExportedDetections:
    """All D detections in the frames of a data set.

    frame : (D,) int64, index of the data set's frame;  ellipses : (D, 5) px;  boxes : (D, 4) px
    stage : (D,) int64, index in STAGES;  stage_probability : (D,) as stated for it, NaN where unknown;  scores : (D,)
    track : (D,) int64, unique within the clip, 0 for a detection in no track
    egg : (D,) int64, unique within the exam, 0 for a detection of no egg
    outline_uncertainties : (D, 2) predicted errors of the centre (px) and of the log axes, NaN where unknown
    frames_used : number of the data set's frames that the batch used
    """

    frame: NDArray[np.int64]
    ellipses: NDArray[np.float64]
    boxes: NDArray[np.float64]
    stage: NDArray[np.int64]
    stage_probability: NDArray[np.float64]
    scores: NDArray[np.float64]
    track: NDArray[np.int64]
    egg: NDArray[np.int64]
    outline_uncertainties: NDArray[np.float64]
    frames_used: int

    @property
    def is_shelled(self) -> NDArray[np.bool_]:
        """(D,) whether the detected stage is one with a shell."""
        return np.asarray(self.stage != FOLLICLE)

    @property
    def tracked(self) -> NDArray[np.bool_]:
        """(D,) whether the detection belongs to a track."""
        return self.track > 0


def read_exported_detections(data_set: DataSet, folders: Mapping[tuple[str, str], Path]) -> ExportedDetections:
    """The detections in the output folders of the data set's exams. An exam without a folder has no detections."""
    frame_index = {name: index for index, name in enumerate(data_set.frames.ids)}
    rows: list[tuple[int, dict[str, Any]]] = []
    frames_used = 0
    for animal, truth in data_set.animals.items():
        folder = folders.get((animal, truth.date))
        if folder is None:
            continue
        document = json.loads((folder / "detections.coco.json").read_text(encoding="utf-8"))
        known = {
            image["id"]: frame_index[animal, image["clip"], image["frame"]]
            for image in document["images"]
            if (animal, image["clip"], image["frame"]) in frame_index
        }
        frames_used += len(known)
        rows += [(known[row["image_id"]], row) for row in document["annotations"] if row["image_id"] in known]
    return ExportedDetections(
        frame=np.array([frame for frame, _ in rows], dtype=np.int64),
        ellipses=np.array([row["ellipse"] for _, row in rows], dtype=np.float64).reshape(-1, 5),
        boxes=np.array([row["bbox"] for _, row in rows], dtype=np.float64).reshape(-1, 4),
        stage=np.array([row["category_id"] - 1 for _, row in rows], dtype=np.int64),
        stage_probability=np.array([_stated_probability(row) for _, row in rows], dtype=np.float64),
        scores=np.array([row["score"] for _, row in rows], dtype=np.float64),
        track=np.array([row["track_id"] or 0 for _, row in rows], dtype=np.int64),
        egg=np.array([row["egg_id"] or 0 for _, row in rows], dtype=np.int64),
        outline_uncertainties=np.array(
            [[row["centre_spread_px"], row["axis_spread"]] for _, row in rows], float
        ).reshape(-1, 2),
        frames_used=frames_used,
    )


def _stated_probability(row: Mapping[str, Any]) -> float:
    """Of the stated stage. Probabilities are in the order of STAGES."""
    probabilities = row.get("stage_probabilities")
    return float(probabilities[row["category_id"] - 1]) if probabilities else float("nan")
