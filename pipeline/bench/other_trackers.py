"""The trackers of maintained libraries (`tracker_libraries`) on the same detections as our own.

Every detection in one of their tracks counts. Install them with ``pip install 'clutchlight[other-trackers]'``, or in
the environment of the peers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.errors import ClutchlightError
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, rows_by_frame
from pipeline.bench.results.coco_results import coco_results
from pipeline.bench.results.method_results import ResultsError
from pipeline.bench.results.readers import read_method_results
from pipeline.bench.tracker_libraries import LIBRARIES, TrackerFunction, library_trackers
from pipeline.bench.tracking_input import frames_by_clip, tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics
from pipeline.settings_tables import TrackSettings
from pipeline.store.atomic_write import write_atomically

__all__ = [
    "MissingTrackersError",
    "TrackerFunction",
    "compare_trackers",
    "other_trackers",
    "tracked_by",
    "tracker_files",
    "tracker_metrics",
    "tracker_table",
    "write_tracks",
]

_INDEX = "trackers.json"


class MissingTrackersError(ClutchlightError):
    """The optional libraries with the other trackers are not installed."""


def compare_trackers(data_set: DataSet, results: Path, settings: TrackSettings) -> dict[str, TrackingMetrics]:
    """The tracking metrics of our tracker, first, and of the others, by name, on what a batch wrote to ``results``.

    settings : of our own tracker; the others use its score thresholds

    Raises MissingTrackersError where their libraries are not installed, and ResultsError without detections.
    """
    others, found = other_trackers(settings), _detections(data_set, results)
    ours = tracking_metrics(tracking_clips(data_set.objects, found, data_set.frames))
    return {"ours": ours} | {
        name: tracker_metrics(data_set, found, tracker, minimum_score=settings.association_score)
        for name, tracker in others.items()
    }


def other_trackers(settings: TrackSettings) -> dict[str, TrackerFunction]:
    """The trackers by name. Raises MissingTrackersError where no library is installed."""
    found = library_trackers(settings)
    if not found:
        raise MissingTrackersError(
            f"The other trackers are not installed ({', '.join(LIBRARIES)}). Run: pip install "
            "'clutchlight[other-trackers]'"
        )
    return found


def write_tracks(data_set: DataSet, results: Path, settings: TrackSettings, folder: Path) -> None:
    """Write the tracks of each tracker on the detections in ``results`` as COCO results: see `tracker_files`.

    Raises MissingTrackersError and ResultsError as `compare_trackers`, and OutputError if a file cannot be written.
    """
    trackers, found = other_trackers(settings), _detections(data_set, results)
    names = {}
    for number, (name, tracker) in enumerate(trackers.items(), 1):
        tracked = tracked_by(data_set, found, tracker, minimum_score=settings.association_score)
        names[name] = f"tracks-{number}.json"
        rows = coco_results(data_set, tracked)
        write_atomically(folder / names[name], [json.dumps(rows, allow_nan=False).encode()])
    write_atomically(folder / _INDEX, [json.dumps(names, indent=2).encode()])


def tracker_files(folder: Path) -> dict[str, Path]:
    """The COCO results that `write_tracks` wrote, by the name of the tracker."""
    names = json.loads((folder / _INDEX).read_text(encoding="utf-8"))
    return {name: folder / file for name, file in names.items()}


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


def _detections(data_set: DataSet, results: Path) -> ExportedDetections:
    found = read_method_results(data_set, results).found
    if found is None:
        raise ResultsError(f"{results} holds no detections. Name results with detections.")
    return found
