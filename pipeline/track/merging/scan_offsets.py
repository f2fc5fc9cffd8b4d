"""Offsets between two scans that all objects share, because the second scan was begun elsewhere.

Two probes on opposite sides of one body start at different places and are held a little differently. Everything that
both see therefore differs by one and the same offset: across the picture, along the sweep, and in the sum of the two
depths. One pair alone says nothing about an offset; from the second on they confirm each other. The search looks for
offsets that many pairs share. It starts from every likely pair and alternates between weighting the pairs and updating
the offset (expectation maximisation). Each offset is then weighed by its prior and by how precisely the pairs determine
it (Laplace's approximation; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 27, from
memory). Pairs that no shared offset explains are judged each by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from pipeline.track.merging.same_egg_likelihood import normal_log_density

__all__ = ["OffsetModel", "OffsetSpread", "SharedOffset", "find_offsets"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _SearchModel:
    """Limits of the search. Common practice, no source."""

    maximum_log_ratio: float = 4.0  # of one trait of a pair; twice as much is allowed against it
    starts: int = 16  # likely pairs from which an offset is searched for
    iterations: int = 8
    kept: int = 4  # different offsets that are returned
    same_offset_sds: float = 0.5  # inlier standard deviations within which two offsets count as one
    minimum_log_ratio: float = -6.0  # pairs less likely than this, with any offset, do not take part
    maximum_pairs: int = 4000  # the most likely ones take part, so that the time does not grow with hundreds of objects
    maximum_log_odds: float = 30.0  # so that no pair overflows


_SEARCH = _SearchModel()


@dataclass(frozen=True)
class OffsetSpread:
    """How one trait's offset varies from scan to scan, and an object around it, in the unit of the trait.

    prior_mean, prior_sd : of the offset
    inlier_sd : of an object around the offset;  outlier_sd, outlier_share : of the objects that lie further away
    """

    prior_mean: float
    prior_sd: float
    inlier_sd: float
    outlier_sd: float
    outlier_share: float


@dataclass(frozen=True)
class OffsetModel:
    """One trait of P pairs of objects, or of N by M of them, and the offset that shifts it for all.

    steps : difference of every pair, before the offset
    different_log_density : log-density of such a difference between two different objects
    """

    steps: Floats
    different_log_density: Floats
    spread: OffsetSpread

    def subset(self, pairs: tuple[NDArray[np.intp], ...]) -> OffsetModel:
        """The model of some pairs only."""
        return replace(self, steps=self.steps[pairs], different_log_density=self.different_log_density[pairs])

    def marginal_ratios(self) -> Floats:
        """Log-likelihood ratio of one object against two, each pair with an offset of its own."""
        spread = self.spread
        same = normal_log_density(self.steps - spread.prior_mean, float(np.hypot(spread.prior_sd, spread.inlier_sd)))
        return self._bounded(same - self.different_log_density)

    def ratios(self, offset: float) -> Floats:
        """The same for a known offset."""
        return self._bounded(np.logaddexp(*self._inlier_and_outlier(offset)) - self.different_log_density)

    def updated_offset(self, pair_weights: Floats, offset: float) -> tuple[float, float]:
        """The most likely offset and its precision. Pairs far from the present ``offset`` have little influence."""
        spread = self.spread
        inlier, outlier = self._inlier_and_outlier(offset)
        weights = pair_weights * expit(inlier - outlier)
        precision = spread.prior_sd**-2 + float(weights.sum()) / spread.inlier_sd**2
        weighted_sum = (
            spread.prior_mean / spread.prior_sd**2 + float((weights * self.steps).sum()) / spread.inlier_sd**2
        )
        return weighted_sum / precision, precision

    def _inlier_and_outlier(self, offset: float) -> tuple[Floats, Floats]:
        step, share = self.steps - offset, self.spread.outlier_share
        inlier = normal_log_density(step, self.spread.inlier_sd) + np.log(1 - share)
        return inlier, normal_log_density(step, self.spread.outlier_sd) + np.log(share)

    @staticmethod
    def _bounded(ratios: Floats) -> Floats:
        return np.clip(ratios, -2 * _SEARCH.maximum_log_ratio, _SEARCH.maximum_log_ratio)


@dataclass(frozen=True)
class SharedOffset:
    """values : by trait, None where each pair has its own;  ratios : (N, M) log-likelihood ratios with all traits

    log_prior : natural, of such an offset, as precisely as it is determined
    """

    values: tuple[float, ...] | None
    ratios: Floats
    log_prior: float


def find_offsets(traits: Sequence[OffsetModel], ratios: Floats, share: float) -> list[SharedOffset]:
    """The offsets worth considering; the first is that of each pair by itself.

    traits : of (N, M) pairs each;  ratios : (N, M) log-likelihood ratios from everything else
    share : expected share of objects in both scans
    """
    separate = np.asarray(ratios + sum(trait.marginal_ratios() for trait in traits))
    offsets = [SharedOffset(None, separate, 0.0)]
    if not traits or not ratios.size:
        return offsets
    threshold = _SEARCH.minimum_log_ratio
    if separate.size > _SEARCH.maximum_pairs:
        threshold = max(
            float(np.partition(separate, -_SEARCH.maximum_pairs, axis=None)[-_SEARCH.maximum_pairs]), threshold
        )
    possible = np.nonzero(separate >= min(threshold, float(separate.max())))
    prior_log_odds = float(logit(share) - np.log(max(ratios.shape)))
    search = _Search([trait.subset(possible) for trait in traits], ratios[possible] + prior_log_odds, possible)
    starts = np.argsort(-separate[possible], kind="stable")[: _SEARCH.starts]
    return offsets + [
        SharedOffset(values, np.asarray(ratios + _total_ratios(traits, values)), log_prior)
        for values, log_prior in search.best(starts)
    ]


@dataclass(frozen=True)
class _Search:
    """The search among P pairs. traits : of them;  log_odds : (P,) from everything else;  pairs : rows and columns"""

    traits: Sequence[OffsetModel]
    log_odds: Floats
    pairs: tuple[NDArray[np.intp], ...]

    def best(self, starts: NDArray[np.intp]) -> list[tuple[tuple[float, ...], float]]:
        """Different offsets with their log-priors, those that explain most first. starts : pairs to start from"""
        tolerance = _SEARCH.same_offset_sds * np.array([trait.spread.inlier_sd for trait in self.traits])
        found: list[tuple[float, tuple[float, ...], float]] = []
        for start in starts.tolist():
            values, log_prior = self._maximise(start)
            if all((np.abs(np.subtract(values, other)) > tolerance).any() for _, other, _ in found):
                found.append((log_prior + self._explained(values), values, log_prior))
        found.sort(key=lambda one: -one[0])
        return [(values, log_prior) for _, values, log_prior in found[: _SEARCH.kept]]

    def _maximise(self, start: int) -> tuple[tuple[float, ...], float]:
        weights = np.zeros(len(self.log_odds))
        weights[start] = 1.0
        values = [float(trait.steps[start]) for trait in self.traits]
        for _ in range(_SEARCH.iterations):
            updated = [trait.updated_offset(weights, value) for trait, value in zip(self.traits, values, strict=True)]
            values = [value for value, _ in updated]
            odds = self._odds(values)
            # Each object is one object of the other scan, or none.
            competing = sum(np.bincount(side, odds)[side] for side in self.pairs)
            weights = odds / (1 + competing - odds)
        log_prior = sum(
            -0.5 * ((value - trait.spread.prior_mean) / trait.spread.prior_sd) ** 2
            - np.log(trait.spread.prior_sd)
            - 0.5 * np.log(precision)
            for (value, precision), trait in zip(updated, self.traits, strict=True)
        )
        return tuple(values), float(log_prior)

    def _explained(self, values: Sequence[float]) -> float:
        # Each row is one of the columns or none of them. Rows may share a column, so this is an upper bound; it ranks
        # offsets well enough.
        return float(np.log1p(np.bincount(self.pairs[0], self._odds(values))).sum())

    def _odds(self, values: Sequence[float]) -> Floats:
        log_odds = self.log_odds + _total_ratios(self.traits, values)
        return np.asarray(np.exp(np.minimum(log_odds, _SEARCH.maximum_log_odds)))


def _total_ratios(traits: Sequence[OffsetModel], values: Sequence[float]) -> Floats:
    return np.asarray(sum(trait.ratios(value) for trait, value in zip(traits, values, strict=True)))
