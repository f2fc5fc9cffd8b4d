"""What was followed in each clip, beside what was there: frames for the figures of following."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import box_overlap
from pipeline.bench.exported_detections import FoundObjects
from pipeline.bench.ground_truth import Frames, TrueObjects, rows_by_frame
from pipeline.bench.tracking_metrics import FollowedFrame

__all__ = ["followed_clips"]

# A box that lies this much on an ignored object, and more than on any other, is neither right nor wrong.
_ON_IGNORED = 0.3


def followed_clips(truth: TrueObjects, found: FoundObjects, frames: Frames) -> list[list[FollowedFrame]]:
    """A list for each clip; of a data set without objects, or one that does not tell them apart, none."""
    if not len(truth.track) or not truth.track.all():
        return []
    clips: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for place, (animal, clip, frame) in enumerate(frames.names):
        clips.setdefault((animal, clip), []).append((frame, place))
    true_rows, found_rows = rows_by_frame(truth.frame, frames), rows_by_frame(found.frame, frames)
    return [
        [_frame(truth, true_rows[place], found, found_rows[place]) for _, place in sorted(clip)]
        for clip in clips.values()
    ]


def _frame(truth: TrueObjects, there: NDArray[np.int64], found: FoundObjects, seen: NDArray[np.int64]) -> FollowedFrame:
    wanted, ignored = there[~truth.ignored[there]], there[truth.ignored[there]]
    seen = seen[found.track[seen] > 0]
    on_wanted = box_overlap(found.boxes[seen], truth.boxes[wanted]).max(axis=1, initial=0.0)
    on_ignored = box_overlap(found.boxes[seen], truth.boxes[ignored]).max(axis=1, initial=0.0)
    counted = seen[(on_ignored <= _ON_IGNORED) | (on_ignored <= on_wanted)]
    overlap = box_overlap(truth.boxes[wanted], found.boxes[counted])
    return FollowedFrame(truth.track[wanted], found.track[counted], overlap)
