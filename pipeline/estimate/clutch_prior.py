"""The usual clutch of a species as further evidence of a number; used only where the settings ask for it.

A clutch is taken to be any number of the species' range with the same chance, and every egg of it to be crossed with a
probability that differs from exam to exam (beta-binomial). Against the prior 1 / N that the count stands on otherwise
this makes numbers that no clutch has less likely, by no more than a bound, so that what was seen can still tell that
she carries more than is usual.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, gammaln

from pipeline.exams.species import SpeciesProfile, reference_range
from pipeline.track.merging.count_distribution import CountDistribution

__all__ = ["ClutchPrior", "clutch_prior_of"]

_WEIGHT = 5.0  # eggs' worth of trust in the share that sweeps cross (common practice, no source)
_BOUND = 4.0  # log-odds; no clutch is unlikelier than this


@dataclass(frozen=True)
class ClutchPrior:
    """species : as told by its profile;  lowest, highest : eggs;  sources : of both, in words"""

    species: str
    lowest: int
    highest: int
    sources: str

    def reweighted(self, crossed: CountDistribution, share: float) -> CountDistribution:
        """The distribution of the number crossed, with the usual clutch in it. share : of a clutch, usually crossed"""
        numbers = crossed.numbers
        some = np.maximum(numbers, 1)
        clutches = np.arange(self.lowest, self.highest + 1)
        # (clutches, numbers); what is larger than the clutch is impossible
        within = some[None] <= clutches[:, None]
        rest = np.where(within, clutches[:, None] - some[None], 0)
        a, b = share * _WEIGHT, (1 - share) * _WEIGHT
        logs = (
            gammaln(clutches[:, None] + 1)
            - gammaln(some[None] + 1)
            - gammaln(rest + 1)
            + betaln(some[None] + a, rest + b)
            - betaln(a, b)
        )
        usual = np.where(within, np.exp(np.where(within, logs, 0.0)), 0.0).mean(axis=0)
        ratio = np.log(np.maximum(usual * some, 1e-300))
        ratio = np.maximum(ratio - ratio.max(), -_BOUND)
        # Whether she carries any is not the clutch's to say.
        weights = crossed.probabilities * np.where(numbers > 0, np.exp(ratio), 1.0)
        none = float(crossed.probabilities[numbers <= 0].sum())
        carrying = float(weights[numbers > 0].sum())
        if carrying > 0:
            weights = np.where(numbers > 0, weights * (1 - none) / carrying, weights)
        return CountDistribution(crossed.lowest, np.asarray(weights / weights.sum()))


def clutch_prior_of(profile: SpeciesProfile | None) -> ClutchPrior | None:
    """What is known of a species' clutch, None where no source gives a range."""
    usual = reference_range(profile.clutch) if profile is not None else None
    if profile is None or usual is None or usual.bounds is None:
        return None
    low, high = usual.bounds
    return ClutchPrior(profile.species, max(round(low), 1), max(round(high), 1), usual.sources)
