"""Maintained libraries of trackers, each as a function over the detections of one clip.

ByteTrack, OC-SORT and SORT come from the library trackers; norfair and laptrack bring one each. They run with their own
settings except for the score thresholds, which are ours, and the least overlap of a box with the track before it. They
see only boxes and scores. (btrack is left out: it needs a library under the GPL.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib.util import find_spec

import numpy as np
from numpy.typing import NDArray

from pipeline.settings_tables import TrackSettings

__all__ = ["LIBRARIES", "TrackerFunction", "library_trackers"]

Floats = NDArray[np.float64]

# The frames of one clip, each with boxes (N, 4) [left, top, right, bottom] and scores (N,), to the track of each
# detection in each frame, 0 for a detection in no track.
TrackerFunction = Callable[[Sequence[tuple[Floats, Floats]]], list[NDArray[np.int64]]]

LIBRARIES = ("trackers", "norfair", "laptrack")
"""Their modules."""

_MAX_DISTANCE = 0.7  # one minus intersection over union, of norfair and laptrack; common practice, no source


def library_trackers(settings: TrackSettings) -> dict[str, TrackerFunction]:
    """Those whose library is installed, by name."""
    found: dict[str, TrackerFunction] = {}
    if find_spec("trackers"):
        found |= _of_trackers(settings)
    if find_spec("norfair"):
        found["norfair"] = _track_with_norfair
    if find_spec("laptrack"):
        found["laptrack"] = _track_with_laptrack
    return found


def _of_trackers(settings: TrackSettings) -> dict[str, TrackerFunction]:
    from trackers import ByteTrackTracker, OCSORTTracker, SORTTracker

    return {
        "ByteTrack (trackers)": lambda clip: _track_with_trackers(
            ByteTrackTracker(
                track_activation_threshold=settings.new_track_score, high_conf_det_threshold=settings.new_track_score
            ),
            clip,
        ),
        "OC-SORT (trackers)": lambda clip: _track_with_trackers(OCSORTTracker(), clip),
        "SORT (trackers)": lambda clip: _track_with_trackers(SORTTracker(), clip),
    }


def _track_with_trackers(tracker: object, clip: Sequence[tuple[Floats, Floats]]) -> list[NDArray[np.int64]]:
    import supervision

    identities = []
    for corners, scores in clip:
        given = supervision.Detections(
            xyxy=corners.astype(np.float32),
            confidence=scores.astype(np.float32),
            class_id=np.zeros(len(scores), int),
            data={"row": np.arange(len(scores))},
        )
        tracked = tracker.update(given)  # type: ignore[attr-defined]
        frame = np.zeros(len(scores), np.int64)
        if len(tracked):
            frame[tracked.data["row"]] = np.maximum(tracked.tracker_id, -1) + 1
        identities.append(frame)
    return identities


def _track_with_norfair(clip: Sequence[tuple[Floats, Floats]]) -> list[NDArray[np.int64]]:
    import norfair

    tracker = norfair.Tracker(distance_function="iou", distance_threshold=_MAX_DISTANCE)
    identities = []
    for number, (corners, scores) in enumerate(clip):
        given = [
            norfair.Detection(points=box.reshape(2, 2), scores=np.full(2, score), data=(number, row))
            for row, (box, score) in enumerate(zip(corners, scores, strict=True))
        ]
        frame = np.zeros(len(scores), np.int64)
        for tracked in tracker.update(detections=given):
            last_frame, row = tracked.last_detection.data
            if last_frame == number:  # otherwise its position is only predicted
                frame[row] = tracked.id
        identities.append(frame)
    return identities


def _track_with_laptrack(clip: Sequence[tuple[Floats, Floats]]) -> list[NDArray[np.int64]]:
    import laptrack

    identities = [np.zeros(len(scores), np.int64) for _, scores in clip]
    if not any(len(scores) for _, scores in clip):
        return identities  # which the library does not take
    tracker = laptrack.LapTrack(
        metric=_distance, cutoff=_MAX_DISTANCE, gap_closing_metric=_distance, gap_closing_cutoff=_MAX_DISTANCE
    )
    # In the order of the frames, so that the detection before has its track already.
    tree, number = tracker.predict([corners for corners, _ in clip]), 0
    for frame, row in sorted((int(frame), int(row)) for frame, row in tree.nodes):
        before = [(int(f), int(r)) for f, r in tree.predecessors((frame, row))]
        if before:
            identities[frame][row] = identities[before[0][0]][before[0][1]]
        else:
            number += 1
            identities[frame][row] = number
    return identities


def _distance(first: Floats, second: Floats) -> float:
    """One minus the intersection over union of two boxes (4,)."""
    sides = np.minimum(first[2:], second[2:]) - np.maximum(first[:2], second[:2])
    both = float(np.prod(np.maximum(sides, 0)))
    either = float(np.prod(first[2:] - first[:2]) + np.prod(second[2:] - second[:2])) - both
    return 1 - both / either if either > 0 else 1.0
