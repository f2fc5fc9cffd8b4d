"""How sure a track is, and of what stage, although its frames are not independent.

Neighbouring frames show nearly the same picture, so n sightings count as n / (1 + (n - 1) r) independent
ones, r being the correlation between any two (the design effect of cluster samples: Kish, Survey Sampling,
1965). So the sum of evidence levels off near that of 1 / r sightings, however long the probe stands still.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from pipeline.settings_tables import TrackSettings
from pipeline.track.tracks import Track

__all__ = [
    "UPPER_QUANTILE",
    "effective_sample_size",
    "existence_probability",
    "is_shelled",
    "score_log_odds",
    "stage_probabilities",
    "upper_score",
]

Floats = NDArray[np.float64]

# Extreme scores are overconfident; scores are limited to this range (common practice, no source).
_LOWEST_SCORE, _HIGHEST_SCORE = 0.02, 0.95
# The same for stages: one frame alone excludes no stage.
_LOWEST_STAGE = 0.02
UPPER_QUANTILE = 0.8
"""The quantile that `upper_score` takes."""


def effective_sample_size(sightings: int, correlation: float) -> float:
    """The number of independent sightings that ``sightings`` correlated ones are worth."""
    return sightings / (1.0 + (sightings - 1) * correlation)


def score_log_odds(scores: Floats, neutral_score: float) -> Floats:
    """(N,) natural log-odds of a real object that each score contributes; 0 at the neutral score."""
    bounded = np.clip(scores, _LOWEST_SCORE, _HIGHEST_SCORE)
    return np.asarray(logit(bounded) - logit(neutral_score))


def existence_probability(track: Track, settings: TrackSettings) -> float:
    """Probability that the track follows a real egg or follicle, at most ``settings.maximum_existence``.

    A structure that looks like an egg does so in every frame, so no number of frames raises this limit.
    """
    sightings = effective_sample_size(len(track.frames), settings.sighting_correlation)
    evidence = sightings * float(score_log_odds(track.scores, settings.neutral_score).mean())
    return float(min(expit(logit(settings.candidate_prior) + evidence), settings.maximum_existence))


def upper_score(track: Track) -> float:
    """The score that the best fifth of a track's sightings reach.

    Gut and bladder can resemble an egg for many frames, but never quite; a real egg looks like one near its middle,
    however faint it is at its ends.
    """
    return float(np.quantile(track.scores, UPPER_QUANTILE))


def stage_probabilities(tracks: Sequence[Track], settings: TrackSettings) -> Floats:
    """(3,) follicle, thin-shelled, calcified: the tempered product over all sightings of one object.

    Within a track the mean log-probability, weighted by score, counts as often as the track has effective
    sightings; tracks are independent of each other.
    """
    log_product = np.zeros(3)
    for track in tracks:
        logs = np.log(np.maximum(track.stage_probabilities, _LOWEST_STAGE))
        weights = np.maximum(track.scores, _LOWEST_SCORE)
        sightings = effective_sample_size(len(track.frames), settings.sighting_correlation)
        log_product += sightings * (weights @ logs) / weights.sum()
    product = np.exp(log_product - log_product.max())
    return np.asarray(product / product.sum())


def is_shelled(stages: Floats) -> bool:
    """Whether a shelled egg is at least as likely as a follicle. stages : (3,) as in `stage_probabilities`"""
    return bool(stages[1] + stages[2] >= 0.5)
