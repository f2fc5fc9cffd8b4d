"""Learns which tracks are real: weights of a likelihood ratio, from tracks whose true object is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.logistic_regression import weights_without_negative
from pipeline.calibration.training_exams import TrainingExam
from pipeline.calibration_tables import LikelihoodWeights
from pipeline.estimate.track_features import FEATURE_NAMES, track_features
from pipeline.settings_tables import TrackSettings
from pipeline.track.track_evidence import stage_probabilities

__all__ = ["fit_likelihood_weights"]

Floats = NDArray[np.float64]


def fit_likelihood_weights(
    training_exams: Sequence[TrainingExam], *, shelled: bool, settings: TrackSettings
) -> tuple[LikelihoodWeights, float]:
    """The weights, and the expected number of false tracks in a clip.

    shelled : whether for tracks that look shelled, or for those that look like follicles
    """
    rows = [row for training_exam in training_exams for row in _labelled_tracks(training_exam, shelled, settings)]
    features = np.array([features for features, _ in rows]).reshape(-1, len(FEATURE_NAMES))
    is_real = np.array([label for _, label in rows], dtype=bool)
    # A higher score, a more certain kind or a section that rises and falls is never evidence against an egg. With few
    # false tracks it may seem to be, as bone looks certainly calcified. A follicle would then be taken for an egg.
    intercept, *weights = weights_without_negative(features, is_real)
    # The regression gives the log-odds of a track. Less the log-odds of the real tracks among all, this is the
    # log-likelihood ratio. One track is added to each side, so that both numbers stay above zero.
    real, false = int(is_real.sum()), int((~is_real).sum())
    prior_log_odds = float(np.log((real + 1) / (false + 1)))
    likelihood_weights = LikelihoodWeights(
        intercept=intercept - prior_log_odds, **dict(zip(FEATURE_NAMES, weights, strict=True))
    )
    clips = sum(len(training_exam.clips) for training_exam in training_exams)
    return likelihood_weights, (false + 1) / (clips + 1)


def _labelled_tracks(
    training_exam: TrainingExam, shelled: bool, settings: TrackSettings
) -> Iterator[tuple[Floats, bool]]:
    """Features (F,) of each track that looks shelled, or like a follicle, and whether it shows such an object."""
    label = "shelled" if shelled else "follicle"
    features = track_features(training_exam.clips, shelled=shelled, settings=settings)
    for clip in training_exam.clips:
        for track in clip.tracks:
            key = clip.file, track.identity
            follicle = float(stage_probabilities([track], settings)[0])
            if (follicle <= 0.5) == shelled:
                yield features[key], training_exam.track_labels[key] == label
