"""False shelled detections in clips and frames that show no shelled egg."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.evaluation_thresholds import SCORE_THRESHOLD
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames, TrueObjects

__all__ = ["FalsePositives", "false_positives_in_egg_free_clips", "false_positives_in_egg_free_frames"]


@dataclass(frozen=True)
class FalsePositives:
    """False shelled detections per frame; None without a frame.

    frames : number of frames without a shelled egg, not even a mostly hidden one
    confident_per_frame : detections with a score of at least ``SCORE_THRESHOLD``
    tracked_per_frame : detections of what was counted
    exported_per_frame : all exported detections, down to the score ``detect.minimum_score`` of the settings
    """

    frames: int
    confident_per_frame: float | None
    tracked_per_frame: float | None
    exported_per_frame: float | None


def false_positives_in_egg_free_frames(
    truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames
) -> FalsePositives:
    """In all frames without a shelled egg, including those of clips that show one in other frames."""
    return _false_positives(_is_egg_free(truth, frames), found)


def false_positives_in_egg_free_clips(
    truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames
) -> FalsePositives:
    """In the clips that never show a shelled egg."""
    without = _is_egg_free(truth, frames)
    clips = [name[:2] for name in frames.ids]
    clips_with_eggs = {clip for clip, is_empty in zip(clips, without, strict=True) if not is_empty}
    return _false_positives(np.array([clip not in clips_with_eggs for clip in clips], dtype=bool), found)


def _is_egg_free(truth: TrueObjects, frames: DataSetFrames) -> NDArray[np.bool_]:
    empty = np.ones(len(frames.ids), dtype=bool)
    empty[truth.frame[truth.is_shelled]] = False
    return empty


def _false_positives(empty: NDArray[np.bool_], found: ExportedDetections) -> FalsePositives:
    number = int(empty.sum())
    if number == 0:
        return FalsePositives(0, None, None, None)
    false = empty[found.frame] & found.is_shelled
    return FalsePositives(
        frames=number,
        confident_per_frame=float((false & (found.scores >= SCORE_THRESHOLD)).sum() / number),
        tracked_per_frame=float((false & found.tracked).sum() / number),
        exported_per_frame=float(false.sum() / number),
    )
