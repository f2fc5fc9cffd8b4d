"""Shelled eggs seen where there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import MINIMUM_SCORE
from pipeline.bench.exported_detections import FoundObjects
from pipeline.bench.ground_truth import Frames, TrueObjects

__all__ = ["FalseAlarms", "in_egg_free_clips", "in_egg_free_frames"]


@dataclass(frozen=True)
class FalseAlarms:
    """frames : without any shelled egg, also none that is mostly hidden

    sure, tracked, exported : false shelled detections per such frame: with a score of at least 0.5, in a track, and
    all that were exported, down to the score ``detect.minimum_score`` of the settings; None where there is no frame
    """

    frames: int
    sure: float | None
    tracked: float | None
    exported: float | None


def in_egg_free_frames(truth: TrueObjects, found: FoundObjects, frames: Frames) -> FalseAlarms:
    """In all frames without a shelled egg, also those of clips that show one elsewhere."""
    return _alarms(_without_shell(truth, frames), found)


def in_egg_free_clips(truth: TrueObjects, found: FoundObjects, frames: Frames) -> FalseAlarms:
    """In the clips that never show a shelled egg."""
    without = _without_shell(truth, frames)
    clips = [name[:2] for name in frames.names]
    gravid = {clip for clip, empty in zip(clips, without, strict=True) if not empty}
    return _alarms(np.array([clip not in gravid for clip in clips], dtype=bool), found)


def _without_shell(truth: TrueObjects, frames: Frames) -> NDArray[np.bool_]:
    empty = np.ones(len(frames.names), dtype=bool)
    empty[truth.frame[truth.stage > 1]] = False
    return empty


def _alarms(empty: NDArray[np.bool_], found: FoundObjects) -> FalseAlarms:
    number = int(empty.sum())
    if number == 0:
        return FalseAlarms(0, None, None, None)
    false = empty[found.frame] & (found.stage > 1)
    sure, tracked = false & (found.scores >= MINIMUM_SCORE), false & found.tracked
    return FalseAlarms(number, float(sure.sum() / number), float(tracked.sum() / number), float(false.sum() / number))
