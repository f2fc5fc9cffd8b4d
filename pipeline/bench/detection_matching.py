"""Matches detections with true objects, frame by frame, and measures how far apart the two are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.evaluation_thresholds import MIN_OUTLINE_IOU, SCORE_THRESHOLD
from models.outline_matching import match, overlaps_ignored
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects

__all__ = [
    "Matches",
    "OutlineErrorStatistics",
    "box_iou",
    "match_detections",
    "value_of_nearest_object",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class OutlineErrorStatistics:
    """Errors of some matched objects, all in one unit; None without an object.

    objects : number of them
    axis_median, axis_p90 : median and 90th percentile of the mean absolute difference of the two semi-axes
    centre_median, centre_p90 : the same of the distance of the centres
    """

    objects: int
    axis_median: float | None
    axis_p90: float | None
    centre_median: float | None
    centre_p90: float | None


@dataclass(frozen=True)
class Matches:
    """P pairs of a detection with a score of at least ``SCORE_THRESHOLD`` and a true object, one to one in each frame.

    Their outlines overlap by at least ``MIN_OUTLINE_IOU`` (intersection over union). Their stages may differ.

    detection_rows, object_rows : (P,) int64, rows of the two tables
    is_evaluated : (D,) bool, detections that are right or wrong: they have that score and show no ignored object
    centre_error_px, axis_error_px : (P,) errors as in `OutlineErrorStatistics`
    """

    detection_rows: NDArray[np.int64]
    object_rows: NDArray[np.int64]
    is_evaluated: NDArray[np.bool_]
    centre_error_px: Floats
    axis_error_px: Floats

    def errors(self, chosen: NDArray[np.bool_], scale: Floats) -> OutlineErrorStatistics:
        """The errors of the chosen pairs. chosen : (P,);  scale : (P,) units per px"""
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
    """The matches of all frames. Ignored objects are not matched."""
    is_evaluated = found.scores >= SCORE_THRESHOLD
    matched_detections, matched_objects = [], []
    for frame in np.unique(found.frame[is_evaluated]).tolist():
        found_rows = np.flatnonzero(is_evaluated & (found.frame == frame))
        true_rows = np.flatnonzero(truth.frame == frame)
        wanted, ignored = true_rows[~truth.ignored[true_rows]], true_rows[truth.ignored[true_rows]]
        i, j, _ = match(found.ellipses[found_rows], truth.ellipses[wanted], minimum_overlap=MIN_OUTLINE_IOU)
        on_ignored = overlaps_ignored(found.ellipses[found_rows], truth.ellipses[ignored])
        on_ignored[i] = False
        is_evaluated[found_rows[on_ignored]] = False
        matched_detections.append(found_rows[i])
        matched_objects.append(wanted[j])
    rows = np.concatenate([*matched_detections, np.zeros(0, np.int64)])
    columns = np.concatenate([*matched_objects, np.zeros(0, np.int64)])
    error = found.ellipses[rows, :4] - truth.ellipses[columns, :4]
    return Matches(rows, columns, is_evaluated, np.hypot(error[:, 0], error[:, 1]), np.abs(error[:, 2:]).mean(axis=1))


def value_of_nearest_object(truth: TrueObjects, found: ExportedDetections, value: Floats) -> Floats:
    """(D,) the value of the true object whose box overlaps the box of each detection most; NaN without such an object.

    value : (N,) of the true objects
    """
    result = np.full(len(found.frame), np.nan)
    for frame in np.unique(found.frame).tolist():
        found_rows, true_rows = np.flatnonzero(found.frame == frame), np.flatnonzero(truth.frame == frame)
        if not len(true_rows):
            continue
        iou = box_iou(found.boxes[found_rows], truth.boxes[true_rows])
        best = iou.argmax(axis=1)
        result[found_rows] = np.where(iou.max(axis=1) > 0, value[true_rows[best]], np.nan)
    return result


def box_iou(first: Floats, second: Floats) -> Floats:
    """(N, M) intersection over union of boxes (N, 4) and (M, 4), [left, top, width, height]."""
    low = np.maximum(first[:, None, :2], second[None, :, :2])
    high = np.minimum((first[:, :2] + first[:, 2:])[:, None], (second[:, :2] + second[:, 2:])[None])
    shared = np.clip(high - low, 0.0, None).prod(axis=2)
    return np.asarray(shared / (first[:, None, 2:].prod(axis=2) + second[None, :, 2:].prod(axis=2) - shared))
