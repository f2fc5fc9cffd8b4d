"""The detections that one method exported for the frames of a data set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import FOLLICLE

__all__ = ["UNSTATED_STAGE", "ExportedDetections", "detection_table"]

UNSTATED_STAGE = -1
"""The stage of a detection whose method says no more than that there is something. It counts as one with a shell,
because eggs are what is counted, but not as one of a single stage."""


@dataclass(frozen=True)
class ExportedDetections:
    """All D detections in the frames of a data set.

    frame : (D,) int64, index of the data set's frame;  ellipses : (D, 5) px;  boxes : (D, 4) px
    stage : (D,) int64, index in STAGES, or `UNSTATED_STAGE`;  scores : (D,)
    stage_probability : (D,) as stated for it, NaN where unknown
    track : (D,) int64, unique within the clip, 0 for a detection in no track
    egg : (D,) int64, unique within the exam, 0 for a detection of no egg
    outline_uncertainties : (D, 2) predicted errors of the centre (px) and of the log axes, NaN where unknown
    frames_used : number of the data set's frames that the method used, all of them where it does not say
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


def detection_table(rows: Sequence[tuple[int, Mapping[str, Any]]], *, frames_used: int) -> ExportedDetections:
    """The table of detections with the keys of COCO results and of our own export.

    rows : index of the data set's frame and detection. It needs ``ellipse``, ``bbox`` and ``score``; a key that is
    missing or null beyond these is unknown.
    """
    return ExportedDetections(
        frame=np.array([frame for frame, _ in rows], dtype=np.int64),
        ellipses=np.array([row["ellipse"] for _, row in rows], dtype=np.float64).reshape(-1, 5),
        boxes=np.array([row["bbox"] for _, row in rows], dtype=np.float64).reshape(-1, 4),
        stage=np.array([row.get("category_id", UNSTATED_STAGE + 1) - 1 for _, row in rows], dtype=np.int64),
        stage_probability=np.array([_stated_probability(row) for _, row in rows], dtype=np.float64),
        scores=np.array([row["score"] for _, row in rows], dtype=np.float64),
        track=np.array([row.get("track_id") or 0 for _, row in rows], dtype=np.int64),
        egg=np.array([row.get("egg_id") or 0 for _, row in rows], dtype=np.int64),
        outline_uncertainties=np.array(
            [[row.get("centre_spread_px"), row.get("axis_spread")] for _, row in rows], float
        ).reshape(-1, 2),
        frames_used=frames_used,
    )


def _stated_probability(row: Mapping[str, Any]) -> float:
    """Of the stated stage. Probabilities are in the order of STAGES."""
    probabilities = row.get("stage_probabilities")
    return float(probabilities[row["category_id"] - 1]) if probabilities else float("nan")
