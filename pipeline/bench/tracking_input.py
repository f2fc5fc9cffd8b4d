"""What was followed in each clip, beside what was there: frames for the figures of following."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import box_iou
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames, TrueObjects, rows_by_frame
from pipeline.bench.tracking_metrics import TrackingFrame

__all__ = ["tracking_clips"]

# A box that lies this much on an ignored object, and more than on any other, is neither right nor wrong.
_ON_IGNORED = 0.3


def tracking_clips(truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames) -> list[list[TrackingFrame]]:
    """A list for each clip; of a data set without objects, or one that does not tell them apart, none."""
    if not len(truth.object_id) or not truth.object_id.all():
        return []
    clips: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for place, (animal, clip, frame) in enumerate(frames.ids):
        clips.setdefault((animal, clip), []).append((frame, place))
    true_rows, found_rows = rows_by_frame(truth.frame, frames), rows_by_frame(found.frame, frames)
    return [
        [_frame(truth, true_rows[place], found, found_rows[place]) for _, place in sorted(clip)]
        for clip in clips.values()
    ]


def _frame(
    truth: TrueObjects, there: NDArray[np.int64], found: ExportedDetections, seen: NDArray[np.int64]
) -> TrackingFrame:
    wanted, ignored = there[~truth.ignored[there]], there[truth.ignored[there]]
    seen = seen[found.track[seen] > 0]
    on_wanted = box_iou(found.boxes[seen], truth.boxes[wanted]).max(axis=1, initial=0.0)
    overlaps_ignored = box_iou(found.boxes[seen], truth.boxes[ignored]).max(axis=1, initial=0.0)
    counted = seen[(overlaps_ignored <= _ON_IGNORED) | (overlaps_ignored <= on_wanted)]
    overlap = box_iou(truth.boxes[wanted], found.boxes[counted])
    return TrackingFrame(truth.object_id[wanted], found.track[counted], overlap)
