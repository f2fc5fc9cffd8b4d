"""How many eggs every pass missed, estimated from the eggs that were found, and found again.

This is a closed population: no egg joins or leaves between the passes of one exam. Pass j crosses egg i with a
probability c_ij that depends on its position, and then finds it with p_ij, which rises with size and falls with depth
(`pipeline.estimate.encounter_history`). Exams differ by delta log-odds:

    logit p_ij = log-odds on phantoms + delta,    delta ~ Normal(0, exam_sd)

What one pass found of the eggs that another pass found as well is evidence for delta (likelihood conditional on being
found at all: Huggins 1989, Biometrika 76:133). With a single pass over every egg there is none, and the rate on
phantoms stands. Every egg found then stands for others like it: with pi_i its probability of being found by any pass,
and a prior in which no number N is more likely than its double (1 / N), the number missed for it is the number of
failures before a success. The sum over all eggs is approximated by a negative binomial of the same mean and variance,
which is exact if all pi are equal. Where nothing was found, log-series weights (1 - pi)^N / N are weighed against the
prior probability of zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, gammaln

from pipeline.calibration_tables import DetectionRate
from pipeline.estimate.candidates import MAX_EGGS, log_count_prior
from pipeline.estimate.encounter_history import EncounterHistory
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass

__all__ = ["MissedEggs", "estimate_missed"]

Floats = NDArray[np.float64]

_DELTA_GRID = np.linspace(-3, 3, 25)  # in standard deviations of delta
# No exam finds a smaller share of what it crosses, or the numbers would have no bound. Of 0.02, 0.1, 0.2 and 0.3 this
# gives the shortest intervals that hold in 90 % of 150 phantoms (seed 16001, two-fold cross-validation).
_MIN_DETECTION = 0.3
_REPEAT_CROSSING = 0.5  # crossing probability from which on a pass is more likely than not to have crossed the egg
_NEGLIGIBLE = 1e-9  # a mean below this is zero; a probability of success is below 1 by at least this


@dataclass(frozen=True)
class MissedEggs:
    """How many eggs are missed for each that is found, for D values of delta.

    weights : (D,) posterior probabilities of the values;  means, variances : (D,)
    has_repeat_passes : whether any egg could have been found twice, so that the exam itself is evidence
    """

    weights: Floats
    means: Floats
    variances: Floats
    has_repeat_passes: bool

    def count_distribution(self, found: int, zero_count_prior: float) -> CountDistribution:
        """How many eggs were missed, given that ``found`` real ones were found.

        zero_count_prior : prior probability that there are none at all
        """
        values = list(zip(self.means.tolist(), self.variances.tolist(), self.weights.tolist(), strict=True))
        if found == 0:
            return mixture(
                [(_missed_if_none_found(1 / (1 + mean), zero_count_prior), weight) for mean, _, weight in values]
            )
        return mixture(
            [(_negative_binomial(found * mean, found * variance), weight) for mean, variance, weight in values]
        )


def estimate_missed(encounter_history: EncounterHistory, rates: DetectionRate) -> MissedEggs:
    """What every pass missed, from the agreement of the passes and from phantoms."""
    deltas = rates.exam_sd * _DELTA_GRID
    log_prior = -0.5 * _DELTA_GRID**2
    if len(encounter_history.detected):
        log_posterior = log_prior + [encounter_history.log_likelihood(delta) for delta in deltas.tolist()]
        detection = np.stack([encounter_history.detection_probabilities(delta) for delta in deltas.tolist()])  # (D, N)
    else:
        log_posterior, detection = log_prior, expit(rates.intercept + deltas)[:, None]
    weights = np.exp(log_posterior - log_posterior.max())
    detection = np.maximum(detection, _MIN_DETECTION)
    crossings = (encounter_history.crossing_probability > _REPEAT_CROSSING).sum(axis=1)
    return MissedEggs(
        weights / weights.sum(),
        # Of a geometric distribution: the failures before the first success.
        means=((1 - detection) / detection).mean(axis=1),
        variances=((1 - detection) / detection**2).mean(axis=1),
        has_repeat_passes=bool((crossings > 1).any()),
    )


def _negative_binomial(mean: float, variance: float) -> CountDistribution:
    if mean < _NEGLIGIBLE:
        return point_mass(0)
    success = min(mean / variance, 1 - _NEGLIGIBLE)
    size = mean * success / (1 - success)
    # Far enough into the tail that what is left out is negligible.
    numbers = np.arange(int(np.ceil(mean + 10 * np.sqrt(variance) + 8)))
    log_weights = gammaln(numbers + size) - gammaln(numbers + 1) + numbers * np.log1p(-success)
    weights = np.exp(log_weights - log_weights.max())
    return CountDistribution(0, weights / weights.sum())


def _missed_if_none_found(detection: float, zero_count_prior: float) -> CountDistribution:
    """The prior of the count, times the probability that all of them were missed."""
    numbers = np.arange(MAX_EGGS + 1)
    weights = np.exp(log_count_prior(numbers, zero_count_prior)) * (1 - detection) ** numbers
    return CountDistribution(0, weights / weights.sum())
