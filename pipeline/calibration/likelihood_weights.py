"""Which tracks are what they look like: weights of a likelihood ratio, learned from tracks whose owner is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.logistic_regression import logistic_weights
from pipeline.calibration.training_exams import TrainingExam
from pipeline.estimate.candidates import candidate_features
from pipeline.settings import LikelihoodWeights, TrackSettings
from pipeline.track.track_evidence import stage_probabilities

__all__ = ["fit_likelihood_weights"]

Floats = NDArray[np.float64]


def fit_likelihood_weights(
    training_exams: Sequence[TrainingExam], *, shelled: bool, settings: TrackSettings
) -> tuple[LikelihoodWeights, float]:
    """The weights, and how many look-alikes come with a clip; of tracks that look shelled, or like follicles."""
    rows = [row for training_exam in training_exams for row in _tracks(training_exam, shelled, settings)]
    traits = np.array([traits for traits, _ in rows]).reshape(-1, 4)
    real = np.array([is_real for _, is_real in rows], dtype=bool)
    constant, score, upper_score, kind, size_similarity = _none_against(traits, real)
    # Odds of the tracks at hand, less the odds with which they come: what their looks alone say. One of either is
    # added, as nothing is certain where none was met.
    intercept = constant - float(np.log((real.sum() + 1) / ((~real).sum() + 1)))
    clips = sum(len(training_exam.clips) for training_exam in training_exams)
    false_tracks_per_clip = (float((~real).sum()) + 1) / (clips + 1)
    return LikelihoodWeights(
        intercept=intercept, score=score, upper_score=upper_score, kind=kind, size_similarity=size_similarity
    ), false_tracks_per_clip


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


def _tracks(training_exam: TrainingExam, shelled: bool, settings: TrackSettings) -> Iterator[tuple[Floats, bool]]:
    seen = candidate_features(training_exam.clips, shelled=shelled, settings=settings)
    for clip in training_exam.clips:
        for track in clip.tracks:
            one = clip.file, track.identity
            follicle = float(stage_probabilities([track], settings)[0])
            if (follicle <= 0.5) == shelled:
                yield seen[one], training_exam.track_labels[one] is shelled
