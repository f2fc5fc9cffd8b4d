"""One offset for all: how the objects of one scan lie over those of another that was begun elsewhere.

Two hands on opposite sides of one body start at different places and hold their probes a little differently, so that
all that both see is met again with one and the same offset: across the picture, along the sweep, and in what the two
depths add up to. One pair alone tells nothing of an offset; from the second on they vouch for each other. Offsets are
sought that many pairs share, from every likely pair as a beginning, by turns of weighing the pairs and placing the
offset (expectation maximisation), and each is weighed by how likely it is at all and how exactly the pairs tell it
(Laplace's approximation; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 27, from
memory). What no shared offset explains is left to pairs that are each judged alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from pipeline.track.merging.same_egg_likelihood import normal_log_density

__all__ = ["OffsetModel", "SharedOffset", "find_offsets"]

Floats = NDArray[np.float64]

# No trait says more than this for one object, nor more than twice as much against, log units.
_BOUND = 4.0
# Pairs from which an offset is sought, in so many rounds, and how many different ones are kept.
_BEGINNINGS, _ROUNDS, _KEPT = 16, 8, 4
_SAME = 0.5  # of the spreads within which two offsets are one
# Pairs less likely than this, log units, whatever the offset, place none; nor do more than so many of the likeliest, so
# that the search costs no more for scans of hundreds.
_IMPOSSIBLE, _MOST_PAIRS = -6.0, 4000


@dataclass(frozen=True)
class OffsetModel:
    """What one trait says of P pairs, or of N by M of them, one offset shifting it for all.

    steps : of every pair, before the offset;  different_log_density : log-density of such a step of two different objects
    prior_mean, prior_sd : of the offset;  inlier_sd : spread of an object around it;  outlier_sd, outlier_share : of those that are worse
    """

    steps: Floats
    different_log_density: Floats
    prior_mean: float
    prior_sd: float
    inlier_sd: float
    outlier_sd: float
    outlier_share: float

    def subset(self, pairs: tuple[NDArray[np.intp], ...]) -> OffsetModel:
        """Of some pairs alone."""
        return replace(self, steps=self.steps[pairs], different_log_density=self.different_log_density[pairs])

    def marginal_ratios(self) -> Floats:
        """Log-likelihood ratio of one object against two, each pair with an offset of its own."""
        same = normal_log_density(self.steps - self.prior_mean, float(np.hypot(self.prior_sd, self.inlier_sd)))
        return np.clip(same - self.different_log_density, -2 * _BOUND, _BOUND)

    def ratios(self, offset: float) -> Floats:
        """The same where the offset is known."""
        return np.clip(np.logaddexp(*self._near_and_far(offset)) - self.different_log_density, -2 * _BOUND, _BOUND)

    def updated_offset(self, pairs: Floats, before: float) -> tuple[float, float]:
        """The likeliest offset and its precision. pairs : weights, of those far from the offset ``before`` little"""
        near, far = self._near_and_far(before)
        weights = pairs * expit(near - far)
        precision = self.prior_sd**-2 + float(weights.sum()) / self.inlier_sd**2
        pull = self.prior_mean / self.prior_sd**2 + float((weights * self.steps).sum()) / self.inlier_sd**2
        return pull / precision, precision

    def _near_and_far(self, offset: float) -> tuple[Floats, Floats]:
        step = self.steps - offset
        near = normal_log_density(step, self.inlier_sd) + np.log(1 - self.outlier_share)
        return near, normal_log_density(step, self.outlier_sd) + np.log(self.outlier_share)


@dataclass(frozen=True)
class SharedOffset:
    """values : by trait, None where each pair has its own;  ratios : (N, M) log-likelihood ratios with all traits

    log_prior : of such an offset, as exactly as it is told
    """

    values: tuple[float, ...] | None
    ratios: Floats
    log_prior: float


def find_offsets(traits: Sequence[OffsetModel], ratios: Floats, share: float) -> list[SharedOffset]:
    """The offsets worth weighing, first that of each pair for itself.

    traits : (N, M) pairs each;  ratios : (N, M) log-likelihood ratios by all else;  share : of objects in both
    """
    alone = np.asarray(ratios + sum(trait.marginal_ratios() for trait in traits))
    found = [SharedOffset(None, alone, 0.0)]
    if not traits or not ratios.size:
        return found
    least = (
        float(np.partition(alone, -_MOST_PAIRS, axis=None)[-_MOST_PAIRS]) if alone.size > _MOST_PAIRS else _IMPOSSIBLE
    )
    possible = np.nonzero(alone >= min(max(least, _IMPOSSIBLE), float(alone.max())))
    odds = float(np.log(share / (1 - share)) - np.log(max(ratios.shape)))
    search = _Search([trait.subset(possible) for trait in traits], ratios[possible] + odds, possible)
    return found + [
        SharedOffset(values, np.asarray(ratios + _summed(traits, values)), log_prior)
        for values, log_prior in search.best(np.argsort(-alone[possible], kind="stable")[:_BEGINNINGS])
    ]


@dataclass(frozen=True)
class _Search:
    """Among P pairs. traits : of them;  odds : (P,) log-odds by all else;  pairs : their rows and columns"""

    traits: Sequence[OffsetModel]
    odds: Floats
    pairs: tuple[NDArray[np.intp], ...]

    def best(self, beginnings: NDArray[np.intp]) -> list[tuple[tuple[float, ...], float]]:
        """Different offsets with their log-priors, those that explain most first."""
        near = np.array([trait.inlier_sd for trait in self.traits])
        found: list[tuple[float, tuple[float, ...], float]] = []
        for beginning in beginnings.tolist():
            values, log_prior = self._sought(beginning)
            if all((np.abs(np.subtract(values, other)) > _SAME * near).any() for _, other, _ in found):
                found.append((log_prior + self._explained(values), values, log_prior))
        found.sort(key=lambda one: -one[0])
        return [(values, log_prior) for _, values, log_prior in found[:_KEPT]]

    def _sought(self, beginning: int) -> tuple[tuple[float, ...], float]:
        weights = np.zeros(len(self.odds))
        weights[beginning] = 1.0
        values = [float(trait.steps[beginning]) for trait in self.traits]
        for _ in range(_ROUNDS):
            placed = [trait.updated_offset(weights, value) for trait, value in zip(self.traits, values, strict=True)]
            values = [value for value, _ in placed]
            chances = self._chances(values)
            # Each object is one of the other scan, or none of it.
            either = sum(np.bincount(side, chances)[side] for side in self.pairs)
            weights = chances / (1 + either - chances)
        log_prior = sum(
            -0.5 * ((value - trait.prior_mean) / trait.prior_sd) ** 2 - np.log(trait.prior_sd) - 0.5 * np.log(precision)
            for (value, precision), trait in zip(placed, self.traits, strict=True)
        )
        return tuple(values), float(log_prior)

    def _explained(self, values: Sequence[float]) -> float:
        # Of every row, that it is one of the columns or none of them: more than can be true of all, and near enough.
        return float(np.log1p(np.bincount(self.pairs[0], self._chances(values))).sum())

    def _chances(self, values: Sequence[float]) -> Floats:
        return np.asarray(np.exp(np.minimum(self.odds + _summed(self.traits, values), 30.0)))


def _summed(traits: Sequence[OffsetModel], values: Sequence[float]) -> Floats:
    return np.asarray(sum(trait.ratios(value) for trait, value in zip(traits, values, strict=True)))
