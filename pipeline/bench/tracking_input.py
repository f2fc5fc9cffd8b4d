"""The input of the tracking metrics: true objects and tracks, frame by frame, for each clip."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import box_iou
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames, TrueObjects, rows_by_frame
from pipeline.bench.tracking_metrics import TrackingFrame

__all__ = ["frames_by_clip", "tracking_clips"]

# A box is ignored if its intersection over union with an ignored object is greater than this, and greater than with any
# other object. Common practice, no source.
_MIN_IGNORED_IOU = 0.3


def tracking_clips(truth: TrueObjects, found: ExportedDetections, frames: DataSetFrames) -> list[list[TrackingFrame]]:
    """The frames of each clip; empty for a data set without objects, or without their identities."""
    if not len(truth.object_id) or not truth.object_id.all():
        return []
    true_rows, found_rows = rows_by_frame(truth.frame, frames), rows_by_frame(found.frame, frames)
    return [
        [_tracking_frame(truth, true_rows[frame], found, found_rows[frame]) for frame in clip]
        for clip in frames_by_clip(frames)
    ]


def frames_by_clip(frames: DataSetFrames) -> list[list[int]]:
    """For each clip, the positions of its frames among those of the data set, in order of time."""
    clips: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for position, (animal, clip, frame) in enumerate(frames.ids):
        clips.setdefault((animal, clip), []).append((frame, position))
    return [[position for _, position in sorted(clip)] for clip in clips.values()]


def _tracking_frame(
    truth: TrueObjects, true_rows: NDArray[np.int64], found: ExportedDetections, found_rows: NDArray[np.int64]
) -> TrackingFrame:
    wanted, ignored = true_rows[~truth.ignored[true_rows]], true_rows[truth.ignored[true_rows]]
    tracked = found_rows[found.track[found_rows] > 0]
    iou_wanted = box_iou(found.boxes[tracked], truth.boxes[wanted]).max(axis=1, initial=0.0)
    iou_ignored = box_iou(found.boxes[tracked], truth.boxes[ignored]).max(axis=1, initial=0.0)
    counted = tracked[(iou_ignored <= _MIN_IGNORED_IOU) | (iou_ignored <= iou_wanted)]
    iou = box_iou(truth.boxes[wanted], found.boxes[counted])
    return TrackingFrame(truth.object_id[wanted], found.track[counted], iou)
