"""Chooses the settings of a method on frames with ground truth, by a random search with a given number of tries.

The first try is the settings as they are; each further one draws every setting with a range anew. The highest F1 of
shelled eggs wins, with the score and overlap that all tables use (`models.evaluation_thresholds`). Random search is as
good as a grid where few settings matter (Bergstra and Bengio, JMLR 13:281, 2012, from memory). Every method gets the
same frames and the same number of tries.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import match_detections
from pipeline.bench.exported_detections import detection_table
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.method import Method, MethodError, Picture
from pipeline.bench.methods.usable_clips import usable_clips
from pipeline.settings_tables import IngestSettings

__all__ = ["Tuned", "TuningClip", "read_tuning_clips", "shelled_f1", "tune"]


@dataclass(frozen=True)
class TuningClip:
    """Some frames of one clip. frame : (F,) int64, index of the data set's frame;  pictures : F of (H, W) uint8"""

    frame: NDArray[np.int64]
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class Tuned:
    """A method with the best settings found.

    frames, tries : that were spent
    f1, f1_untuned : of shelled eggs on these frames, 0 to 1, with these settings and with the first ones
    """

    method: Method
    frames: int
    tries: int
    f1: float
    f1_untuned: float


def read_tuning_clips(data_set: DataSet, frames: int, settings: IngestSettings) -> list[TuningClip]:
    """About as many frames of a data set, equally many of each clip and evenly spaced in it.

    Raises MethodError if no frame can be used.
    """
    clips = usable_clips(data_set)
    per_clip = max(1, round(frames / max(len(clips), 1)))
    read = []
    for clip in clips:
        wanted = sorted(clip.frame_index)
        wanted = [wanted[place] for place in np.linspace(0, len(wanted) - 1, min(per_clip, len(wanted))).astype(int)]
        chosen = {clip.frame_index[frame] for frame in wanted}
        with clip.frames(settings) as usable:
            kept = [(index, picture) for index, picture in usable if index in chosen]
        if kept:
            read.append(TuningClip(np.array([index for index, _ in kept]), tuple(picture for _, picture in kept)))
    if not read:
        raise MethodError(f"{data_set.name} has no frame to tune on. Name a data set with recordings.")
    return read


def tune(method: Method, data_set: DataSet, clips: Sequence[TuningClip], *, tries: int, seed: int) -> Tuned:
    """The best of a number of tries. A method without ranges is tried once.

    clips : of the data set, for methods of clips with frames left out
    """
    rng = np.random.default_rng(seed)
    untuned = shelled_f1(method, data_set, clips)
    best, best_f1 = method, untuned
    number = tries if method.ranges else 1
    for _ in range(number - 1):
        drawn = {name: each.draw(rng) for name, each in method.ranges.items()}
        tried = replace(method, settings={**method.settings, **drawn})
        f1 = shelled_f1(tried, data_set, clips)
        if f1 > best_f1:
            best, best_f1 = tried, f1
    return Tuned(best, sum(len(clip.frame) for clip in clips), number, best_f1, untuned)


def shelled_f1(method: Method, data_set: DataSet, clips: Sequence[TuningClip]) -> float:
    """F1 of shelled eggs in some frames; 0 where there is neither an egg nor a detection."""
    rows: list[tuple[int, dict[str, Any]]] = []
    for clip in clips:
        for frame, outlines in zip(clip.frame.tolist(), method.outlines(clip.pictures), strict=True):
            rows += [(frame, outline) for outline in outlines]
    truth, found = data_set.objects, detection_table(rows, frames_used=0)
    matches = match_detections(truth, found)
    in_frames = np.isin(truth.frame, np.concatenate([clip.frame for clip in clips]))
    wanted = int((in_frames & truth.is_shelled & ~truth.ignored).sum())
    stated = int((matches.is_evaluated & found.is_shelled).sum())
    right = int((truth.is_shelled[matches.object_rows] & found.is_shelled[matches.detection_rows]).sum())
    return 2 * right / (wanted + stated) if wanted + stated else 0.0
