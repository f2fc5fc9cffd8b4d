"""Which tracks are what they look like: weights of a likelihood ratio, learned from tracks whose owner is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.logistic_regression import logistic_weights
from pipeline.calibration.training_exams import Lesson
from pipeline.estimate.candidates import looks
from pipeline.settings import Look, TrackSettings
from pipeline.track.track_evidence import stage_probabilities

__all__ = ["learn_look"]

Floats = NDArray[np.float64]


def learn_look(lessons: Sequence[Lesson], *, shelled: bool, settings: TrackSettings) -> tuple[Look, float]:
    """The weights, and how many look-alikes come with a clip; of tracks that look shelled, or like follicles."""
    rows = [row for lesson in lessons for row in _tracks(lesson, shelled, settings)]
    traits = np.array([traits for traits, _ in rows]).reshape(-1, 4)
    real = np.array([is_real for _, is_real in rows], dtype=bool)
    constant, score, best_score, kind, alike = _none_against(traits, real)
    # Odds of the tracks at hand, less the odds with which they come: what their looks alone say. One of either is
    # added, as nothing is certain where none was met.
    base = constant - float(np.log((real.sum() + 1) / ((~real).sum() + 1)))
    clips = sum(len(lesson.clips) for lesson in lessons)
    look_alikes = (float((~real).sum()) + 1) / (clips + 1)
    return Look(base=base, score=score, best_score=best_score, kind=kind, alike=alike), look_alikes


def _none_against(traits: Floats, real: NDArray[np.bool_]) -> list[float]:
    """The constant and the weights, none below zero: a brighter or more egg-like look never speaks against an egg.

    Among few look-alikes it may seem to, as bone looks surely calcified; a follicle would then pass for an egg.
    """
    used = np.ones(traits.shape[1], dtype=bool)
    while True:
        weights = np.zeros(1 + len(used))
        weights[np.concatenate([[True], used])] = logistic_weights(traits[:, used], real)
        if (weights[1:] >= 0).all():
            return [float(weight) for weight in weights]
        used &= weights[1:] >= 0


def _tracks(lesson: Lesson, shelled: bool, settings: TrackSettings) -> Iterator[tuple[Floats, bool]]:
    seen = looks(lesson.clips, shelled=shelled, settings=settings)
    for clip in lesson.clips:
        for track in clip.tracks:
            one = clip.file, track.identity
            follicle = float(stage_probabilities([track], settings)[0])
            if (follicle <= 0.5) == shelled:
                yield seen[one], lesson.owners[one] is shelled
