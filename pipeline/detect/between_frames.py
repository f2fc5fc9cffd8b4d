"""Detections of frames that the network did not see, from those of the frames before and after.

Neighbouring frames of a slow hand show nearly the same plane, so an outline that is found in both is in between as
well: it moves and changes evenly (common practice, no source). One that is found on one side only fades towards the
other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.ellipse import from_log_matrix, overlap, to_log_matrix
from pipeline.detect.detector import Detections

__all__ = ["DetectionsBetween"]

Floats = NDArray[np.float64]

_SAME_OBJECT_IOU = 0.2  # of outlines a few frames apart; common practice, no source


class DetectionsBetween:
    """Those of the frames between two others, whose outlines are compared once for all of these frames."""

    def __init__(self, before: Detections, after: Detections) -> None:
        from scipy.optimize import linear_sum_assignment  # slow to import, and a night with nothing new needs none

        iou = overlap(before.ellipses, after.ellipses)
        rows, columns = linear_sum_assignment(iou, maximize=True)
        same = iou[rows, columns] >= _SAME_OBJECT_IOU
        rows, columns = rows[same], columns[same]
        self._first, self._last = _chosen(before, rows), _chosen(after, columns)
        self._shapes = to_log_matrix(self._first.ellipses), to_log_matrix(self._last.ellipses)
        self._alone_before = _chosen(before, np.setdiff1d(np.arange(len(before.scores)), rows))
        self._alone_after = _chosen(after, np.setdiff1d(np.arange(len(after.scores)), columns))

    def at(self, frame: int, minimum_score: float) -> Detections:
        """Of one of these frames, highest score first, none with less than ``minimum_score``."""
        first, last = self._first, self._last
        share = (frame - first.frame) / (last.frame - first.frame)

        def mixed(start: Floats, end: Floats) -> Floats:
            return (1 - share) * start + share * end

        found_twice = Detections(
            frame=frame,
            ellipses=from_log_matrix(mixed(first.ellipses[:, :2], last.ellipses[:, :2]), mixed(*self._shapes)),
            depths_px=mixed(first.depths_px, last.depths_px),
            stage_probabilities=mixed(first.stage_probabilities, last.stage_probabilities),
            scores=mixed(first.scores, last.scores),
            outline_uncertainties=mixed(first.outline_uncertainties, last.outline_uncertainties),
        )
        alone = _faded(self._alone_before, 1 - share), _faded(self._alone_after, share)
        together = _joined(frame, (found_twice, *alone))
        order = np.argsort(-together.scores, kind="stable")
        return _chosen(together, order[together.scores[order] >= minimum_score])


def _chosen(detections: Detections, rows: NDArray[np.int64]) -> Detections:
    return Detections(
        detections.frame, **{name: values[rows] for name, values in vars(detections).items() if name != "frame"}
    )


def _faded(detections: Detections, share: float) -> Detections:
    return replace(detections, scores=share * detections.scores)


def _joined(frame: int, parts: tuple[Detections, ...]) -> Detections:
    names = [name for name in vars(parts[0]) if name != "frame"]
    return Detections(frame, **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
