"""Bootstrap intervals over animals, and of paired differences.

Frames of a clip and clips of an animal are alike, so whole animals are drawn, with replacement, as often as there are
(percentile interval: Efron and Tibshirani, An Introduction to the Bootstrap, 1993, from memory). All methods are
measured on the same draws, so that what is hard about an animal cancels in a difference.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Estimate", "Sampled", "Statistic", "animal_weights", "sample"]

Floats = NDArray[np.float64]

# (B, A) how often each of A animals counts in each of B draws, to (B,) values; NaN where a draw has nothing to measure.
Statistic = Callable[[Floats], Floats]

_COVERAGE = 0.95


@dataclass(frozen=True)
class Estimate:
    """A figure over all animals, and its 95 % interval over draws of animals; None where it cannot be measured."""

    value: float | None
    low: float | None
    high: float | None


def animal_weights(animals: int, resamples: int, seed: int) -> Floats:
    """(B, A) how often each animal is drawn. Each row sums to the number of animals."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(animals, np.full(animals, 1 / animals), size=resamples).astype(np.float64)


@dataclass(frozen=True)
class Sampled:
    """A figure over all animals, and in each of B draws. value : NaN where it cannot be measured;  draws : (B,)"""

    value: float
    draws: Floats

    def minus(self, other: Sampled) -> Sampled:
        """The paired difference: both figures are of the same draws."""
        return Sampled(self.value - other.value, self.draws - other.draws)

    def estimate(self) -> Estimate:
        """The figure with its interval. Draws with nothing to measure are left out."""
        known = self.draws[~np.isnan(self.draws)]
        if np.isnan(self.value) or not len(known):
            return Estimate(None, None, None)
        low, high = np.quantile(known, [(1 - _COVERAGE) / 2, (1 + _COVERAGE) / 2])
        return Estimate(self.value, float(low), float(high))


def sample(statistic: Statistic, weights: Floats) -> Sampled:
    """The figure over all animals and in each draw. weights : from `animal_weights`"""
    return Sampled(float(statistic(np.ones((1, weights.shape[1])))[0]), statistic(weights))
