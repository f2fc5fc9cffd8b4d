"""Trackers of two maintained libraries on the same detections, beside ours.

    python -m pipeline.bench.other_trackers DATASET RESULTS

RESULTS is what a batch over the data set wrote, such as ``clutchlight bench`` leaves under its ``--out``. The libraries
come with ``pip install 'clutchlight[rivals]'``: ByteTrack, OC-SORT and SORT of trackers, and norfair, at their own
settings but for the scores, which are ours. They see boxes and scores; every detection that they follow counts.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.exported_detections import ExportedDetections, read_exported_detections, result_folders
from pipeline.bench.ground_truth import DataSet, open_data_set, rows_by_frame
from pipeline.bench.tracking_input import tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics

__all__ = ["TrackerFunction", "other_trackers", "tracker_metrics"]

Floats = NDArray[np.float64]

# One clip's frames, each with boxes (N, 4) [left, top, right, bottom] and scores (N,), to the identity of each
# detection in each frame, 0 where it is followed by no track.
TrackerFunction = Callable[[Sequence[tuple[Floats, Floats]]], list[NDArray[np.int64]]]

_LOWEST_SCORE = 0.3  # as our own tracker follows
_BIRTH_SCORE = 0.45  # as our own tracks begin


def other_trackers() -> dict[str, TrackerFunction]:
    """By name. Raises ImportError where their libraries are not installed."""
    from trackers import ByteTrackTracker, OCSORTTracker, SORTTracker

    return {
        "ByteTrack (trackers)": lambda clip: _by_trackers(
            ByteTrackTracker(track_activation_threshold=_BIRTH_SCORE, high_conf_det_threshold=_BIRTH_SCORE), clip
        ),
        "OC-SORT (trackers)": lambda clip: _by_trackers(OCSORTTracker(), clip),
        "SORT (trackers)": lambda clip: _by_trackers(SORTTracker(), clip),
        "norfair": _by_norfair,
    }


def tracker_metrics(data_set: DataSet, found: ExportedDetections, rival: TrackerFunction) -> TrackingMetrics:
    """Figures of a rival's tracks over the detections of ``found``."""
    rows = rows_by_frame(found.frame, data_set.frames)
    clips: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for place, (animal, clip, frame) in enumerate(data_set.frames.ids):
        clips.setdefault((animal, clip), []).append((frame, place))
    track = np.zeros(len(found.frame), np.int64)
    for frames in clips.values():
        seen = [own[found.scores[own] >= _LOWEST_SCORE] for own in (rows[place] for _, place in sorted(frames))]
        corners = [np.column_stack([found.boxes[own, :2], found.boxes[own, :2] + found.boxes[own, 2:]]) for own in seen]
        scores = [found.scores[own] for own in seen]
        for own, identities in zip(seen, rival(list(zip(corners, scores, strict=True))), strict=True):
            track[own] = identities
    return tracking_metrics(tracking_clips(data_set.objects, replace(found, track=track), data_set.frames))


def _by_trackers(tracker: object, clip: Sequence[tuple[Floats, Floats]]) -> list[NDArray[np.int64]]:
    import supervision

    identities = []
    for corners, scores in clip:
        own = np.arange(len(scores))
        given = supervision.Detections(
            xyxy=corners.astype(np.float32),
            confidence=scores.astype(np.float32),
            class_id=np.zeros(len(scores), int),
            data={"own": own},
        )
        told = tracker.update(given)  # type: ignore[attr-defined]
        frame = np.zeros(len(scores), np.int64)
        if len(told):
            frame[told.data["own"]] = np.maximum(told.tracker_id, -1) + 1
        identities.append(frame)
    return identities


def _by_norfair(clip: Sequence[tuple[Floats, Floats]]) -> list[NDArray[np.int64]]:
    import norfair

    tracker = norfair.Tracker(distance_function="iou", distance_threshold=0.7)
    identities = []
    for number, (corners, scores) in enumerate(clip):
        given = [
            norfair.Detection(points=box.reshape(2, 2), scores=np.full(2, score), data=(number, row))
            for row, (box, score) in enumerate(zip(corners, scores, strict=True))
        ]
        frame = np.zeros(len(scores), np.int64)
        for one in tracker.update(detections=given):
            when, row = one.last_detection.data
            if when == number:  # others are only foretold
                frame[row] = one.id
        identities.append(frame)
    return identities


def main(arguments: Sequence[str]) -> int:
    """Print a line for each tracker, ours first."""
    data_set = open_data_set(Path(arguments[0]))
    found = read_exported_detections(data_set, result_folders(Path(arguments[1])))
    ours = tracking_metrics(tracking_clips(data_set.objects, found, data_set.frames))
    figures = {"ours": ours} | {
        name: tracker_metrics(data_set, found, rival) for name, rival in other_trackers().items()
    }
    for name, each in figures.items():
        if each.hota is not None:
            print(  # noqa: T201 - a command's result
                f"{name:<22} HOTA {each.hota:.3f}  found {each.detection_accuracy:.3f}  held {each.association_accuracy:.3f}  "
                f"IDF1 {each.idf1:.3f}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
