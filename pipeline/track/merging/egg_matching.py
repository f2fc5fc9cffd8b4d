"""How many, and which, of two sets of sightings show the same eggs.

Each egg of one set is at most one of the other. With R the (N, M) ratios of likelihood, same egg against
different eggs, and a prior for the number k of eggs in both sets,

    P(k | data)  ~  prior(k) S_k / C_k,    S_k = sum over all ways to pair k of the product of their ratios,

C_k = N! M! / ((N-k)! (M-k)! k!) being the number of such ways. Where the ratios say nothing the prior is
returned unchanged; where they are decisive it hardly matters. S_k is exact, by dynamic programming over
subsets, within each group of sightings that are connected by possible pairs; in groups beyond 12 by 12 it is
taken as if a row's ratios were spread evenly over the columns, which is exact when they are all alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.special import betaln, gammaln

from pipeline.track.merging.count_distribution import CountDistribution, point_mass

__all__ = [
    "Matching",
    "best_pairs",
    "log_matching_sums",
    "match",
    "pair_weights_by_visibility",
    "shared_count",
    "shared_count_by_visibility",
]

Floats = NDArray[np.float64]

_EXACT_SIDE = 12
# Pairs less likely than this (log ratio) are left out, surer ones are no surer than this.
_NEGLIGIBLE, _CERTAIN = -7.0, 9.0
_IMPOSSIBLE = 1e6


@dataclass(frozen=True)
class Matching:
    """pairs : (K, 2) int64, rows and columns of the likeliest K pairs, K being the median of ``number``

    number : how many are truly in both sets
    log_evidence : log of the mean likelihood ratio under the prior, 0 for uninformative ratios
    """

    pairs: NDArray[np.int64]
    number: CountDistribution
    log_evidence: float


def match(log_ratios: Floats, share: float, weight: float) -> Matching:
    """Match N rows with M columns; arguments as of :func:`shared_count`."""
    number, evidence = shared_count(log_ratios, share, weight)
    return Matching(best_pairs(log_ratios, number.median), number, evidence)


def shared_count(
    log_ratios: Floats, share: float, weight: float, expected: int | None = None
) -> tuple[CountDistribution, float]:
    """How many are in both sets, and the log-evidence of :class:`Matching`.

    log_ratios : (N, M) log-likelihood ratio of same against different; -inf where the two cannot be the same
    share : expected share, of the smaller set unless ``expected`` is given, that is in both
    weight : trust in it, in eggs; the prior for k is beta-binomial, share * weight and (1 - share) * weight
    expected : how many should have had the chance to be in both; too few in a set is evidence against
    """
    rows, columns = log_ratios.shape
    chances = min(rows, columns) if expected is None else expected
    smaller = min(rows, columns, chances)
    k = np.arange(smaller + 1)
    ways = _log_binomial(rows, k) + _log_binomial(columns, k) + gammaln(k + 1)
    prior = (
        _log_binomial(chances, k)
        + betaln(k + share * weight, chances - k + (1 - share) * weight)
        - betaln(share * weight, (1 - share) * weight)
    )
    if smaller == 0:
        return point_mass(0), float(prior[0])
    # Sums are computed around the pairs' prior odds, where most of the probability lies.
    tilt = float(np.log(share / (1 - share)) - np.log(max(rows, columns)))
    posterior = prior - ways + log_matching_sums(log_ratios, tilt)[: smaller + 1]
    largest = posterior.max()
    evidence = float(largest + np.log(np.exp(posterior - largest).sum()))
    weights = np.exp(posterior - evidence)
    return CountDistribution(0, weights / weights.sum()), evidence


def pair_weights_by_visibility(log_ratios: Floats, row_visibility: Floats, column_visibility: Floats) -> Floats:
    """(N, M) log-weights of pairs where each member's place tells how likely it is in the other set as well.

    log_ratios : (N, M), as of :func:`shared_count`
    row_visibility, column_visibility : (N,), (M,) probabilities in (0, 1) of being in the other set

    Objects are scattered at random (a Poisson process), each in either set with a chance p, q of its own place,
    independently. Those in the rows alone have the density of the rows times 1 - q, those in both that of the rows
    times q and of where the columns then find them, so that a pair weighs

        exp(log_ratio) q / ((1 - q) M (1 - p))

    against two that are alone.
    """
    odds = np.log(row_visibility) - np.log1p(-row_visibility)
    return np.asarray(log_ratios + odds[:, None] - np.log1p(-column_visibility) - np.log(max(log_ratios.shape[1], 1)))


def shared_count_by_visibility(
    weights: Floats, row_visibility: Floats, column_visibility: Floats
) -> tuple[CountDistribution, float]:
    """How many are in both sets, of :func:`pair_weights_by_visibility`, and the log-evidence.

    The log-evidence is that of all rows and columns, to compare ways of laying one set over the other.
    """
    alone = float(np.log1p(-row_visibility).sum() + np.log1p(-column_visibility).sum())
    if min(weights.shape) == 0:
        return point_mass(0), alone
    sums = log_matching_sums(weights)
    largest = sums.max()
    probabilities = np.exp(sums - largest)
    evidence = alone + float(largest + np.log(probabilities.sum()))
    return CountDistribution(0, probabilities / probabilities.sum()), evidence


def log_matching_sums(log_ratios: Floats, tilt: float = 0.0) -> Floats:
    """(min(N, M) + 1,) log S_k; terms far from the largest exp(k tilt) S_k may underflow to -inf."""
    rows, columns = log_ratios.shape
    bounded = np.where(log_ratios > _NEGLIGIBLE, np.minimum(log_ratios, _CERTAIN), -np.inf)
    tilted = np.exp(bounded + tilt)
    terms, log_scale = np.ones(1), 0.0
    for row_group, column_group in _components(tilted > 0):
        part = tilted[np.ix_(row_group, column_group)]
        if min(part.shape) <= _EXACT_SIDE:
            sums = _exact_sums(part)
        else:
            sums, added = _even_sums(part)
            log_scale += added
        scale = sums.sum()
        log_scale += float(np.log(scale))
        terms = np.convolve(terms, sums / scale)
    smaller = min(rows, columns)
    padded = np.zeros(smaller + 1)
    padded[: min(len(terms), smaller + 1)] = terms[: smaller + 1]
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(padded) + log_scale - tilt * np.arange(smaller + 1))


def best_pairs(log_ratios: Floats, count: int) -> NDArray[np.int64]:
    """(K, 2) the ``count`` one-to-one pairs with the largest sum; fewer where more are impossible."""
    rows, columns = log_ratios.shape
    count = min(count, rows, columns)
    if count == 0:
        return np.zeros((0, 2), np.int64)
    # Every row but ``count`` is given to an empty column, every column but ``count`` to an empty row.
    size = rows + columns - count
    cost = np.zeros((size, size))
    cost[:rows, :columns] = np.where(log_ratios > _NEGLIGIBLE, -log_ratios, _IMPOSSIBLE)
    cost[rows:, columns:] = _IMPOSSIBLE
    chosen_rows, chosen_columns = linear_sum_assignment(cost)
    real = (chosen_rows < rows) & (chosen_columns < columns)
    pairs = np.stack([chosen_rows[real], chosen_columns[real]], axis=1).astype(np.int64)
    return pairs[log_ratios[pairs[:, 0], pairs[:, 1]] > _NEGLIGIBLE]


def _components(possible: NDArray[np.bool_]) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    rows, columns = possible.shape
    first, second = np.nonzero(possible)
    links = csr_array((np.ones(len(first)), (first, rows + second)), shape=(rows + columns, rows + columns))
    _, labels = connected_components(links, directed=False)
    groups = []
    for label in np.unique(labels[:rows][possible.any(axis=1)]):
        groups.append((np.flatnonzero(labels[:rows] == label), np.flatnonzero(labels[rows:] == label)))
    return groups


def _exact_sums(ratios: Floats) -> Floats:
    # The state is the set of columns taken; its size is the number of pairs.
    table = ratios if ratios.shape[1] <= ratios.shape[0] else ratios.T
    columns = table.shape[1]
    subsets = np.arange(1 << columns)
    sums = np.zeros(1 << columns)
    sums[0] = 1.0
    for row in table:
        added = np.zeros_like(sums)
        for column in np.flatnonzero(row):
            without = subsets[(subsets >> column) & 1 == 0]
            added[without | (1 << column)] += sums[without] * row[column]
        sums = sums + added
    sizes = sum((subsets >> column) & 1 for column in range(columns))
    return np.asarray(np.bincount(sizes, weights=sums, minlength=columns + 1), np.float64)


def _even_sums(ratios: Floats) -> tuple[Floats, float]:
    # Elementary symmetric sums of the rows' totals, as a Poisson-binomial so that nothing overflows,
    # times the share of column choices without a collision, M! / ((M-k)! M^k).
    table = ratios if ratios.shape[0] <= ratios.shape[1] else ratios.T
    totals = table.sum(axis=1)
    probabilities = np.ones(1)
    for total in totals:
        probabilities = np.convolve(probabilities, [1 / (1 + total), total / (1 + total)])
    columns = table.shape[1]
    k = np.arange(len(totals) + 1)
    free = gammaln(columns + 1) - gammaln(columns - k + 1) - k * np.log(columns)
    return probabilities * np.exp(free), float(np.log1p(totals).sum())


def _log_binomial(n: int, k: NDArray[np.int64]) -> Floats:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))
