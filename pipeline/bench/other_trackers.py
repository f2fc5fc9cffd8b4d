"""The trackers of two maintained libraries on the same detections as our own.

ByteTrack, OC-SORT and SORT come from the library trackers, and one more from norfair; install them with
``pip install 'clutchlight[other-trackers]'``. They run with their own settings except for the score thresholds, which
are ours. They see only boxes and scores. Every detection in one of their tracks counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, rows_by_frame
from pipeline.bench.results.method_results import ResultsError
from pipeline.bench.results.readers import read_method_results
from pipeline.bench.tracking_input import frames_by_clip, tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics
from pipeline.settings import TrackSettings

__all__ = [
    "MissingTrackersError",
    "TrackerFunction",
    "compare_trackers",
    "other_trackers",
    "tracked_by",
    "tracker_metrics",
    "tracker_table",
]

Floats = NDArray[np.float64]

# The frames of one clip, each with boxes (N, 4) [left, top, right, bottom] and scores (N,), to the track of each
# detection in each frame, 0 for a detection in no track.
TrackerFunction = Callable[[Sequence[tuple[Floats, Floats]]], list[NDArray[np.int64]]]

_NORFAIR_MAX_DISTANCE = 0.7  # one minus intersection over union; common practice, no source


class MissingTrackersError(ClutchlightError):
    """The optional libraries with the other trackers are not installed."""


def compare_trackers(data_set: DataSet, results: Path, settings: TrackSettings) -> dict[str, TrackingMetrics]:
    """The tracking metrics of our tracker, first, and of the others, by name, on what a batch wrote to ``results``.

    settings : of our own tracker; the others use its score thresholds

    Raises MissingTrackersError where their libraries are not installed, and ResultsError without detections.
    """
    others = other_trackers(settings)
    found = read_method_results(data_set, results).found
    if found is None:
        raise ResultsError(f"{results} holds no detections. Name results with detections.")
    ours = tracking_metrics(tracking_clips(data_set.objects, found, data_set.frames))
    return {"ours": ours} | {
        name: tracker_metrics(data_set, found, tracker, minimum_score=settings.association_score)
        for name, tracker in others.items()
    }


def other_trackers(settings: TrackSettings) -> dict[str, TrackerFunction]:
    """The trackers by name. Raises MissingTrackersError where their libraries are not installed."""
    try:
        import norfair  # noqa: F401 - used below, but missing libraries are reported at once
        from trackers import ByteTrackTracker, OCSORTTracker, SORTTracker
    except ImportError as error:
        raise MissingTrackersError(
            f"The other trackers are not installed ({error}). Run: pip install 'clutchlight[other-trackers]'"
        ) from error

    return {
        "ByteTrack (trackers)": lambda clip: _track_with_trackers(
            ByteTrackTracker(
                track_activation_threshold=settings.new_track_score, high_conf_det_threshold=settings.new_track_score
            ),
            clip,
        ),
        "OC-SORT (trackers)": lambda clip: _track_with_trackers(OCSORTTracker(), clip),
        "SORT (trackers)": lambda clip: _track_with_trackers(SORTTracker(), clip),
        "norfair": _track_with_norfair,
    }


def tracker_metrics(
    data_set: DataSet, found: ExportedDetections, tracker: TrackerFunction, *, minimum_score: float
) -> TrackingMetrics:
    """The metrics of a tracker's tracks over the detections of ``found``. minimum_score : as in `tracked_by`"""
    tracked = tracked_by(data_set, found, tracker, minimum_score=minimum_score)
    return tracking_metrics(tracking_clips(data_set.objects, tracked, data_set.frames))


def tracked_by(
    data_set: DataSet, found: ExportedDetections, tracker: TrackerFunction, *, minimum_score: float
) -> ExportedDetections:
    """The detections with the tracks of another tracker.

    minimum_score : the tracker does not see detections with lower scores
    """
    rows = rows_by_frame(found.frame, data_set.frames)
    track = np.zeros(len(found.frame), np.int64)
    for clip in frames_by_clip(data_set.frames):
        in_frames = [own[found.scores[own] >= minimum_score] for own in (rows[frame] for frame in clip)]
        corners = [
            np.column_stack([found.boxes[own, :2], found.boxes[own, :2] + found.boxes[own, 2:]]) for own in in_frames
        ]
        scores = [found.scores[own] for own in in_frames]
        for own, identities in zip(in_frames, tracker(list(zip(corners, scores, strict=True))), strict=True):
            track[own] = identities
    return replace(found, track=track)


def tracker_table(compared: Mapping[str, TrackingMetrics]) -> str:
    """One line per tracker; a line in place of the table where the data set has no objects to track."""
    lines = [
        f"{name:<22} HOTA {each.hota:.3f}  DetA {each.detection_accuracy:.3f}  AssA {each.association_accuracy:.3f}  "
        f"IDF1 {each.idf1:.3f}"
        for name, each in compared.items()
        if each.hota is not None
    ]
    return "\n".join(lines) or "The ground truth does not identify objects across frames, so tracks cannot be measured."


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

    tracker = norfair.Tracker(distance_function="iou", distance_threshold=_NORFAIR_MAX_DISTANCE)
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
