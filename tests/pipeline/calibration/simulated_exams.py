"""Training exams without pictures: simulated tracks, with higher scores for real objects than for false tracks."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np

from pipeline.calibration.training_exams import CrossedObject, TrackLabel, TrainingExam
from pipeline.exams.exam import Exam
from pipeline.scan.coverage import ClipCoverage
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.tracks import ClipTracks, Track

FRAMES = 400


def training_exam(rng: np.random.Generator, eggs: int, false_tracks: int, found: float = 0.8) -> TrainingExam:
    """One sweep that crosses ``eggs``, each found with the probability ``found``, and has ``false_tracks``."""
    tracks, objects = [], []
    track_labels: dict[tuple[str, int], TrackLabel] = {}
    for is_real in [True] * eggs + [False] * false_tracks:
        is_detected = not is_real or rng.random() < found
        size, depth = rng.uniform(0.07, 0.12), rng.uniform(0.2, 0.8)
        if is_real:
            objects.append(CrossedObject(True, bool(is_detected), float(size), float(depth)))
        if is_detected:
            identity = len(tracks) + 1
            tracks.append(_track(rng, identity, rng.normal(1.5 if is_real else 0.2, 0.5)))
            track_labels["left-1.mp4", identity] = "shelled" if is_real else "none"
    exam = Exam(Path("AF-1/2026-05-14"), "AF-1", dt.date(2026, 5, 14), None, None, None, None, 0, ())
    return TrainingExam(
        exam=exam,
        clips=(ClipTracks("left-1.mp4", "left", 0.2, FRAMES, tuple(tracks), 320.0, 450.0),),
        coverage=(ClipCoverage("left-1.mp4", "left", "done", None, FRAMES, FRAMES),),
        track_labels=track_labels,
        objects=tuple(objects),
        crossed_counts=ByKind(shelled=eggs, follicles=0),
        missed_counts=ByKind(shelled=sum(not one.detected for one in objects), follicles=0),
    )


def _track(rng: np.random.Generator, identity: int, log_odds: float) -> Track:
    start = int(rng.integers(0, FRAMES - 30))
    frames = np.arange(start, start + 30)
    size = 40 * np.sqrt(1 - np.linspace(-0.9, 0.9, 30) ** 2)
    place = np.tile(rng.uniform([80, 60], [560, 400]), (30, 1))
    ellipses = np.column_stack([place, size, 0.8 * size, np.zeros(30)])
    scores = 1 / (1 + np.exp(-log_odds - rng.normal(0, 0.2, 30)))
    return Track(identity, frames, ellipses, ellipses[:, 1].copy(), np.tile([0.02, 0.08, 0.9], (30, 1)), scores)
