"""Shelled eggs seen where there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import SCORE_THRESHOLD
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames, TrueObjects

__all__ = ["FalsePositives", "false_positives_in_egg_free_clips", "false_positives_in_egg_free_frames"]


@dataclass(frozen=True)
class FalsePositives:
    """frames : without any shelled egg, also none that is mostly hidden

    confident_per_frame, tracked_per_frame, exported_per_frame : false shelled detections per such frame: with a score of at least 0.5, in a track, and
    all that were exported, down to the score ``detect.minimum_score`` of the settings; None where there is no frame
    """

    frames: int
    confident_per_frame: float | None
    tracked_per_frame: float | None
    exported_per_frame: float | None


def false_positives_in_egg_free_frames(
    truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames
) -> FalsePositives:
    """In all frames without a shelled egg, also those of clips that show one elsewhere."""
    return _alarms(_without_shell(truth, frames), found)


def false_positives_in_egg_free_clips(
    truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames
) -> FalsePositives:
    """In the clips that never show a shelled egg."""
    without = _without_shell(truth, frames)
    clips = [name[:2] for name in frames.ids]
    gravid = {clip for clip, empty in zip(clips, without, strict=True) if not empty}
    return _alarms(np.array([clip not in gravid for clip in clips], dtype=bool), found)


def _without_shell(truth: TrueObjects, frames: DataSetFrames) -> NDArray[np.bool_]:
    empty = np.ones(len(frames.ids), dtype=bool)
    empty[truth.frame[truth.stage > 1]] = False
    return empty


def _alarms(empty: NDArray[np.bool_], found: ExportedDetections) -> FalsePositives:
    number = int(empty.sum())
    if number == 0:
        return FalsePositives(0, None, None, None)
    false = empty[found.frame] & (found.stage > 1)
    sure, tracked = false & (found.scores >= SCORE_THRESHOLD), false & found.tracked
    return FalsePositives(
        number, float(sure.sum() / number), float(tracked.sum() / number), float(false.sum() / number)
    )
