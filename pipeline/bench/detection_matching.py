"""Which detection answers for which true object, frame by frame, and how far apart the two are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.outline_matching import match, overlaps_ignored
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects

__all__ = [
    "MIN_OUTLINE_IOU",
    "SCORE_THRESHOLD",
    "Matches",
    "OutlineErrorStatistics",
    "box_iou",
    "match_detections",
    "value_of_nearest_object",
]

Floats = NDArray[np.float64]

MIN_OUTLINE_IOU = 0.5
# Where recall and precision balance: the greatest F1 of calcified eggs on phantoms of seeds 100 and 3001. Fainter
# detections are exported, too: average precision is made of them.
SCORE_THRESHOLD = 0.5


@dataclass(frozen=True)
class OutlineErrorStatistics:
    """Errors of some matched objects, all in one unit. objects : how many;  the others None if there is none.

    axis : mean absolute difference of the two semi-axes;  centre : distance of the middles;  medians, 90th percentiles
    """

    objects: int
    axis_median: float | None
    axis_p90: float | None
    centre_median: float | None
    centre_p90: float | None


@dataclass(frozen=True)
class Matches:
    """P pairs of detections with a score of at least 0.5 and true objects whose outlines overlap by at least half
    (intersection over union), one to one in each frame, whatever their stages.

    detection_rows, object_rows : (P,) int64, rows of the two tables
    is_evaluated : (D,) bool, detections that are right or wrong: of that score, and not drawn because of an ignored object
    centre_error_px, axis_error_px : (P,) errors as in `OutlineErrorStatistics`
    """

    detection_rows: NDArray[np.int64]
    object_rows: NDArray[np.int64]
    is_evaluated: NDArray[np.bool_]
    centre_error_px: Floats
    axis_error_px: Floats

    def errors(self, chosen: NDArray[np.bool_], scale: Floats) -> OutlineErrorStatistics:
        """Errors of the chosen pairs (P,), px times ``scale`` (P,)."""
        if not chosen.any():
            return OutlineErrorStatistics(0, None, None, None, None)
        axis, centre = (each[chosen] * scale[chosen] for each in (self.axis_error_px, self.centre_error_px))
        return OutlineErrorStatistics(
            int(chosen.sum()),
            float(np.median(axis)),
            float(np.quantile(axis, 0.9)),
            float(np.median(centre)),
            float(np.quantile(centre, 0.9)),
        )


def match_detections(truth: TrueObjects, found: ExportedDetections) -> Matches:
    """Objects that count neither way are matched with nothing."""
    is_evaluated = found.scores >= SCORE_THRESHOLD
    pairs_found, pairs_true = [], []
    for frame in np.unique(found.frame[is_evaluated]).tolist():
        given = np.flatnonzero(is_evaluated & (found.frame == frame))
        there = np.flatnonzero(truth.frame == frame)
        wanted, ignored = there[~truth.ignored[there]], there[truth.ignored[there]]
        i, j, _ = match(found.ellipses[given], truth.ellipses[wanted], minimum_overlap=MIN_OUTLINE_IOU)
        excused = overlaps_ignored(found.ellipses[given], truth.ellipses[ignored])
        excused[i] = False
        is_evaluated[given[excused]] = False
        pairs_found.append(given[i])
        pairs_true.append(wanted[j])
    rows = np.concatenate([*pairs_found, np.zeros(0, np.int64)])
    columns = np.concatenate([*pairs_true, np.zeros(0, np.int64)])
    error = found.ellipses[rows, :4] - truth.ellipses[columns, :4]
    return Matches(rows, columns, is_evaluated, np.hypot(error[:, 0], error[:, 1]), np.abs(error[:, 2:]).mean(axis=1))


def value_of_nearest_object(truth: TrueObjects, found: ExportedDetections, value: Floats) -> Floats:
    """(D,) the value (N,) of the true object whose box each detection's box overlaps most; NaN where none does."""
    result = np.full(len(found.frame), np.nan)
    for frame in np.unique(found.frame).tolist():
        given, there = np.flatnonzero(found.frame == frame), np.flatnonzero(truth.frame == frame)
        if not len(there):
            continue
        shared = box_iou(found.boxes[given], truth.boxes[there])
        best = shared.argmax(axis=1)
        result[given] = np.where(shared.max(axis=1) > 0, value[there[best]], np.nan)
    return result


def box_iou(first: Floats, second: Floats) -> Floats:
    """(N, M) intersection over union of boxes (N, 4) and (M, 4), [left, top, width, height]."""
    low = np.maximum(first[:, None, :2], second[None, :, :2])
    high = np.minimum((first[:, :2] + first[:, 2:])[:, None], (second[:, :2] + second[:, 2:])[None])
    shared = np.clip(high - low, 0.0, None).prod(axis=2)
    return np.asarray(shared / (first[:, None, 2:].prod(axis=2) + second[None, :, 2:].prod(axis=2) - shared))
