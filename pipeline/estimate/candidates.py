"""Which of the tracked objects are real: how many of them, and the probability that each one is.

Gut, bladder and shadows can be tracked like eggs. Let L_i be the likelihood ratio of candidate i: how many times more
likely its features are for a real object than for a false one. False objects come at random, on average lambda for each
exam (Poisson). Bayes' rule then gives, for the number R of real ones among all K candidates,

    P(R)  ~  prior(R) R! lambda^(K - R) e_R(L),

where e_R is the sum of the products of every R of the L_i. Candidates therefore support each other: one doubtful shape
in an animal without any sure egg is more often gut than a clutch, and next to five eggs it is more often the sixth. The
prior gives zero a probability of its own and shares out the rest as 1 / R: no number is more likely a priori than its
double.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, gammaln

from pipeline.calibration_tables import LikelihoodWeights
from pipeline.estimate.track_features import FEATURE_NAMES
from pipeline.track.merging.count_distribution import CountDistribution, point_mass

__all__ = [
    "MAX_EGGS",
    "CandidatePosterior",
    "candidate_posterior",
    "log_count_prior",
    "log_likelihood_ratio",
]

Floats = NDArray[np.float64]

MAX_EGGS = 200
"""More eggs than any turtle carries: sea turtles lay somewhat over a hundred at a time."""

_MAX_LOG_ODDS = 12.0
"""Bound of a candidate's log-likelihood ratio; common practice, no source."""


@dataclass(frozen=True)
class CandidatePosterior:
    """real_count : how many of K candidates are real;  existence : (K,) probability that each one is"""

    real_count: CountDistribution
    existence: Floats


def log_likelihood_ratio(tracks: Sequence[Floats], likelihood_weights: LikelihoodWeights) -> float:
    """Of a real object against a false one, by its strongest track: the others show the same object again.

    tracks : (F,) features of each, from `pipeline.estimate.track_features`
    """
    weights = np.array([getattr(likelihood_weights, name) for name in FEATURE_NAMES])
    return max(likelihood_weights.intercept + float(weights @ features) for features in tracks)


def candidate_posterior(
    log_ratios: Floats, *, expected_false_tracks: float, zero_count_prior: float
) -> CandidatePosterior:
    """How many of K candidates are real, and which.

    log_ratios : (K,) log L, infinite for candidates that are certain
    expected_false_tracks : lambda, the number expected in the exam, above 0
    zero_count_prior : prior probability that none is real
    """
    count = len(log_ratios)
    if count == 0:
        return CandidatePosterior(point_mass(0), np.zeros(0))
    log_odds = np.clip(log_ratios, -_MAX_LOG_ODDS, _MAX_LOG_ODDS) - np.log(expected_false_tracks)
    probabilities = np.where(np.isposinf(log_ratios), 1.0, expit(log_odds))
    numbers = np.arange(count + 1)
    log_prior = log_count_prior(numbers, zero_count_prior) + gammaln(numbers + 1)
    binomial = _poisson_binomial(probabilities)
    without_each = _without_each(binomial, probabilities)  # (K, K): row i, numbers 0 to K - 1
    with np.errstate(divide="ignore"):
        log_weights = log_prior + np.log(binomial)
        # Candidate i is one of R real ones in all the ways in which R - 1 of the others are real.
        log_weights_of_others = log_prior[1:] + np.log(without_each)
    weights = np.exp(log_weights - log_weights.max())
    existence = probabilities * np.exp(log_weights_of_others - log_weights.max()).sum(axis=1) / weights.sum()
    return CandidatePosterior(CountDistribution(0, weights / weights.sum()), np.clip(existence, 0.0, 1.0))


def log_count_prior(numbers: NDArray[np.int64], zero_count_prior: float) -> Floats:
    """Log prior of R real objects: ``zero_count_prior`` for 0, the rest shared out as 1 / R up to `MAX_EGGS`."""
    harmonic_sum = float((1 / np.arange(1, MAX_EGGS + 1)).sum())
    above_zero = (1 - zero_count_prior) / harmonic_sum / np.maximum(numbers, 1)
    prior = np.where(numbers == 0, zero_count_prior, np.where(numbers <= MAX_EGGS, above_zero, 1e-300))
    return np.asarray(np.log(prior))


def _poisson_binomial(probabilities: Floats) -> Floats:
    """(K + 1,) probability of each number. Not trimmed, since factorials may raise even the rarest numbers."""
    distribution = np.ones(1)
    for probability in probabilities:
        distribution = np.convolve(distribution, [1 - probability, probability])
    return distribution


def _without_each(binomial: Floats, probabilities: Floats) -> Floats:
    """(K, K) the Poisson binomial of all candidates but one: the factor (1 - p) + p x divided out of the polynomial.

    The division starts from the lowest number where p is at most a half, from the highest otherwise, so that rounding
    errors shrink.
    """
    count = len(probabilities)
    result = np.zeros((count, count))
    is_low = probabilities <= 0.5
    p, q = probabilities[is_low], 1 - probabilities[is_low]
    below = np.zeros(len(p))
    for number in range(count):
        below = (binomial[number] - p * below) / q
        result[is_low, number] = below
    p, q = probabilities[~is_low], 1 - probabilities[~is_low]
    above = np.zeros(len(p))
    for number in range(count - 1, -1, -1):
        above = (binomial[number + 1] - q * above) / p
        result[~is_low, number] = above
    return np.maximum(result, 0.0)
