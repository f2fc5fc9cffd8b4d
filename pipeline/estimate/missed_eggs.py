"""Eggs that a sweep crossed and nobody found, judged by those that were found, and found again.

A closed population: nothing joins or leaves it between the passes of one exam. Egg i is crossed by pass j with a
probability c_ij that its place tells, and then found with p_ij, which on phantoms falls with depth and rises with
size. An exam is easier or harder than others by delta log-odds, alike for all its eggs:

    logit p_ij = logit(phantoms' rate) + delta,    delta ~ Normal(0, spread)

What each pass found of the eggs that another one found as well tells delta (likelihood conditional on being found at
all: Huggins 1989, Biometrika 76:133); with a single pass over every egg nothing does, and the phantoms' rate stands.
Every found egg then stands for others like it: pi_i being its probability of being found by any pass, and the prior one
that calls no number N likelier than its double (1 / N), those overlooked for it are as many as failures come before a
success. Their sum is taken as a negative binomial of the same mean and variance, exact where all pi are alike. Beside
none found, log-series weights (1 - pi)^N / N stand against the prior probability of there being none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from pipeline.calibration_file import DetectionRate
from pipeline.estimate.candidates import MAX_EGGS
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass

__all__ = ["EncounterHistory", "MissedEggs", "detection_log_odds", "estimate_missed"]

Floats = NDArray[np.float64]

_GRID = np.linspace(-3, 3, 25)  # standard deviations of delta
_NO_MORE = 1e-9
_LEAST = 0.02  # no pass is so bad that it finds fewer; else the numbers have no bound


@dataclass(frozen=True)
class EncounterHistory:
    """What P passes met of N eggs, each found by one at least.

    detected : (N, P) bool;  crossing_probability : (N, P) probability that the pass crossed it, 1 where it was found
    log_odds : (N, P) of being found when crossed, as on phantoms
    """

    detected: NDArray[np.bool_]
    crossing_probability: Floats
    log_odds: Floats

    def log_likelihood(self, delta: float) -> float:
        """Of what was found, given that every one of these eggs was."""
        chance = self.crossing_probability * _logistic(self.log_odds + delta)
        met = np.log(np.where(self.detected, chance, 1 - chance)).sum()
        return float(met - np.log(self.detection_probabilities(delta)).sum())

    def detection_probabilities(self, delta: float) -> Floats:
        """(N,) probability of being found by any pass."""
        return np.asarray(1 - np.prod(1 - self.crossing_probability * _logistic(self.log_odds + delta), axis=1))


@dataclass(frozen=True)
class MissedEggs:
    """For D values of the exam's ease, how many are overlooked for each that is found.

    weights : (D,) posterior;  means, variances : (D,)
    has_repeat_passes : whether any egg could have been met twice, so that the exam itself had a say
    """

    weights: Floats
    means: Floats
    variances: Floats
    has_repeat_passes: bool

    def count_distribution(self, found: int, zero_count_prior: float) -> CountDistribution:
        """How many were overlooked where ``found`` real eggs were found.

        zero_count_prior : prior probability that there are none at all
        """
        parts = list(zip(self.means.tolist(), self.variances.tolist(), self.weights.tolist(), strict=True))
        if found == 0:
            return mixture([(_beside_none(1 / (1 + mean), zero_count_prior), weight) for mean, _, weight in parts])
        return mixture([(_negative_binomial(found * mean, found * many), weight) for mean, many, weight in parts])


def detection_log_odds(sizes: Sequence[float | None], depths: Sequence[float | None], rates: DetectionRate) -> Floats:
    """(N,) log-odds of being found for eggs of these sizes and depths, as shares of the picture's depth.

    Where the picture's depth is unknown, as for a middling egg.
    """
    size = np.array([0.0 if value is None else np.log(value) - rates.reference_log_size for value in sizes])
    depth = np.array([0.0 if value is None else value - rates.reference_depth for value in depths])
    return np.asarray(rates.intercept + rates.size_slope * size + rates.depth_slope * depth)


def estimate_missed(encounter_history: EncounterHistory, rates: DetectionRate) -> MissedEggs:
    """What the passes' agreement and the phantoms tell of what all of them overlooked."""
    deltas = rates.exam_sd * _GRID
    prior = -0.5 * _GRID**2
    if len(encounter_history.detected):
        logs = prior + np.array([encounter_history.log_likelihood(float(delta)) for delta in deltas])
        chances = np.stack([encounter_history.detection_probabilities(float(delta)) for delta in deltas])  # (D, N)
    else:
        logs, chances = prior, _logistic(rates.intercept + deltas)[:, None]
    weights = np.exp(logs - logs.max())
    chances = np.maximum(chances, _LEAST)
    return MissedEggs(
        weights / weights.sum(),
        means=((1 - chances) / chances).mean(axis=1),
        variances=((1 - chances) / chances**2).mean(axis=1),
        has_repeat_passes=bool(((encounter_history.crossing_probability > 0.5).sum(axis=1) > 1).any()),
    )


def _negative_binomial(mean: float, variance: float) -> CountDistribution:
    if mean < _NO_MORE:
        return point_mass(0)
    chance = min(mean / variance, 1 - _NO_MORE)
    size = mean * chance / (1 - chance)
    k = np.arange(int(np.ceil(mean + 10 * np.sqrt(variance) + 8)))
    logs = gammaln(k + size) - gammaln(k + 1) + k * np.log1p(-chance)
    weights = np.exp(logs - logs.max())
    return CountDistribution(0, weights / weights.sum())


def _beside_none(chance: float, zero_count_prior: float) -> CountDistribution:
    numbers = np.arange(1, MAX_EGGS + 1)
    harmonic = float((1 / numbers).sum())
    some = (1 - zero_count_prior) / harmonic * (1 - chance) ** numbers / numbers
    weights = np.concatenate([[zero_count_prior], some])
    return CountDistribution(0, weights / weights.sum())


def _logistic(log_odds: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -30, 30))))
