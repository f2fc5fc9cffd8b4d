"""Probability distributions over whole numbers, such as a number of eggs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

__all__ = ["CountDistribution", "mixture", "point_mass", "poisson", "poisson_binomial"]

Floats = NDArray[np.float64]

# Probability, relative to the largest, that may be cut from a tail.
_NEGLIGIBLE = 1e-9
# Tolerance when cumulative sums are compared, so that rounding changes no quantile.
_QUANTILE_TOLERANCE = 1e-9


@dataclass(frozen=True)
class CountDistribution:
    """probabilities[i] is the probability of the number lowest + i; they sum to 1."""

    lowest: int
    probabilities: Floats

    @property
    def numbers(self) -> NDArray[np.int64]:
        return self.lowest + np.arange(len(self.probabilities))

    @property
    def mean(self) -> float:
        return float(self.numbers @ self.probabilities)

    @property
    def variance(self) -> float:
        return float(((self.numbers - self.mean) ** 2) @ self.probabilities)

    def quantile(self, level: float) -> int:
        """The smallest number with at least ``level`` of the probability at or below it."""
        reached = np.cumsum(self.probabilities) >= level - _QUANTILE_TOLERANCE
        return int(self.lowest + (np.argmax(reached) if reached.any() else len(reached) - 1))

    @property
    def median(self) -> int:
        return self.quantile(0.5)

    def probability_within(self, low: int, high: int) -> float:
        """Probability of a number from low to high, both included."""
        inside = (self.numbers >= low) & (self.numbers <= high)
        return float(min(self.probabilities[inside].sum(), 1.0))

    def probability_below(self, number: int) -> float:
        """Probability of fewer than ``number``."""
        return self.probability_within(self.lowest, number - 1)

    def plus(self, other: CountDistribution) -> CountDistribution:
        """The sum of two independent numbers."""
        return _trimmed(self.lowest + other.lowest, np.convolve(self.probabilities, other.probabilities))

    @property
    def probabilities_from_zero(self) -> tuple[float, ...]:
        """The probabilities of 0, 1, 2, ...; only for a number that cannot be negative."""
        return (*[0.0] * self.lowest, *map(float, self.probabilities))

    def subtracted_from(self, total: int) -> CountDistribution:
        """``total`` minus this number."""
        return CountDistribution(total - int(self.numbers[-1]), self.probabilities[::-1])

    def given_at_least(self, bound: int) -> CountDistribution:
        """The distribution given that the number is at least ``bound``."""
        kept = self.numbers >= bound
        if not kept.any() or self.probabilities[kept].sum() < _NEGLIGIBLE:
            return point_mass(bound)
        return CountDistribution(max(self.lowest, bound), _normalised(self.probabilities[kept]))

    def tempered(self, power: float) -> CountDistribution:
        """All odds between numbers raised to a power: a power above 1 sharpens the distribution, below 1 widens it."""
        return CountDistribution(self.lowest, _normalised(self.probabilities**power))


def point_mass(number: int) -> CountDistribution:
    """A number that is known for certain."""
    return CountDistribution(number, np.ones(1))


def poisson_binomial(chances: Iterable[float]) -> CountDistribution:
    """How many of several independent events with these probabilities happen."""
    probabilities = np.ones(1)
    for chance in sorted(chances):
        probabilities = np.convolve(probabilities, [1 - chance, chance])
    return _trimmed(0, probabilities)


def poisson(mean: float) -> CountDistribution:
    """How many rare events happen where ``mean`` are expected."""
    if mean == 0:
        return point_mass(0)
    numbers = np.arange(int(np.ceil(mean + 8 * np.sqrt(mean) + 8)))
    return _trimmed(0, np.exp(numbers * np.log(mean) - mean - gammaln(numbers + 1)))


def mixture(parts: Sequence[tuple[CountDistribution, float]]) -> CountDistribution:
    """One of several distributions holds, each with its probability, and it is not known which."""
    lowest = min(part.lowest for part, _ in parts)
    highest = max(int(part.numbers[-1]) for part, _ in parts)
    probabilities = np.zeros(highest - lowest + 1)
    for part, share in parts:
        start = part.lowest - lowest
        probabilities[start : start + len(part.probabilities)] += share * part.probabilities
    return _trimmed(lowest, probabilities)


def _trimmed(lowest: int, probabilities: Floats) -> CountDistribution:
    kept = np.flatnonzero(probabilities > _NEGLIGIBLE * probabilities.max())
    return CountDistribution(lowest + int(kept[0]), _normalised(probabilities[kept[0] : kept[-1] + 1]))


def _normalised(weights: Floats) -> Floats:
    return np.asarray(weights / weights.sum())
