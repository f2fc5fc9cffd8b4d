"""The usual clutch of a species as further evidence for the count; used only if the settings ask for it.

Every number within the species' range is taken to be an equally likely clutch, and each of its eggs to be crossed with
a probability that varies from exam to exam (beta-binomial). Compared with the prior 1 / N that the count uses
otherwise, this makes numbers outside the usual clutch less likely, but only by a bounded factor, so that the scan can
still show that she carries more than is usual.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from pipeline.exams.species import SpeciesProfile, reference_range
from pipeline.track.merging.count_distribution import CountDistribution

__all__ = ["ClutchPrior", "clutch_prior_of"]

# Concentration of the beta distribution of the share crossed, in eggs; common practice, no source.
_CONCENTRATION = 5.0
# Log-odds: the most that the prior may hold against a number; common practice, no source.
_MAX_LOG_PENALTY = 4.0


@dataclass(frozen=True)
class ClutchPrior:
    """species : scientific name;  lowest, highest : eggs in a clutch;  sources : of both, in words"""

    species: str
    lowest: int
    highest: int
    sources: str

    def reweighted(self, crossed: CountDistribution, share: float) -> CountDistribution:
        """The distribution of the number crossed, given the usual clutch. share : of a clutch that sweeps usually cross

        The probability of zero stays as it is: the clutch size says nothing about whether she carries one.
        """
        is_some = crossed.numbers > 0
        log_ratio = np.log(np.maximum(self._probability_of_crossing(crossed.numbers, share) * crossed.numbers, 1e-300))
        log_ratio = np.maximum(log_ratio - log_ratio.max(), -_MAX_LOG_PENALTY)
        weights = crossed.probabilities * np.where(is_some, np.exp(log_ratio), 1.0)
        zero, some = float(crossed.probabilities[~is_some].sum()), float(weights[is_some].sum())
        if some > 0:
            weights = np.where(is_some, weights * (1 - zero) / some, weights)
        return CountDistribution(crossed.lowest, np.asarray(weights / weights.sum()))

    def _probability_of_crossing(self, numbers: NDArray[np.int64], share: float) -> NDArray[np.float64]:
        """(N,) beta-binomial probability of so many eggs crossed, averaged over the clutches.

        Numbers below 1 count as 1.
        """
        some = np.maximum(numbers, 1)[None]
        clutches = np.arange(self.lowest, self.highest + 1)[:, None]
        is_possible = some <= clutches
        rest = np.where(is_possible, clutches - some, 0)
        a, b = share * _CONCENTRATION, (1 - share) * _CONCENTRATION
        log_probability = (
            gammaln(clutches + 1) - gammaln(some + 1) - gammaln(rest + 1) + betaln(some + a, rest + b) - betaln(a, b)
        )
        probability = np.where(is_possible, np.exp(np.where(is_possible, log_probability, 0.0)), 0.0)
        return np.asarray(probability.mean(axis=0))


def clutch_prior_of(profile: SpeciesProfile | None) -> ClutchPrior | None:
    """The usual clutch of a species, None where no source gives a range."""
    usual = reference_range(profile.clutch) if profile is not None else None
    if profile is None or usual is None or usual.bounds is None:
        return None
    low, high = usual.bounds
    return ClutchPrior(profile.species, max(round(low), 1), max(round(high), 1), usual.sources)
