"""How many, and which, objects of two sets are the same eggs.

Each object of one set is the same as at most one of the other. With R the (N, M) likelihood ratios, same egg against
different eggs, and a prior for the number k of eggs in both sets,

    P(k | data)  ~  prior(k) S_k / C_k,    S_k = sum over all ways to pair k of the product of their ratios,

C_k = N! M! / ((N-k)! (M-k)! k!) being the number of such ways. Where the ratios say nothing the prior is
returned unchanged; where they are decisive it hardly matters. S_k is exact, by dynamic programming over
subsets, within each group of objects that are connected by possible pairs; in groups beyond 12 by 12 it is
approximated as if a row's ratios were spread evenly over the columns, which is exact when they are all alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.special import betaln, gammaln, logit

from pipeline.track.merging.count_distribution import CountDistribution, point_mass

__all__ = [
    "best_pairs",
    "log_matching_sums",
    "pair_weights_by_visibility",
    "shared_count",
    "shared_count_by_visibility",
]

Floats = NDArray[np.float64]

# Groups with more objects than this on their smaller side are approximated.
_MAXIMUM_EXACT_SIDE = 12
# Pairs with a lower log ratio are ignored, and higher ones count as this (common practice, no source).
_MINIMUM_LOG_RATIO, _MAXIMUM_LOG_RATIO = -7.0, 9.0
# Cost of an assignment that must not be made.
_FORBIDDEN_COST = 1e6


def shared_count(log_ratios: Floats, share: float, weight: float) -> tuple[CountDistribution, float]:
    """How many are in both sets, and the log of the mean likelihood ratio under the prior, 0 for uninformative ratios.

    log_ratios : (N, M) log-likelihood ratio of same against different; -inf where the two cannot be the same
    share : expected share of the smaller set that is in both
    weight : trust in it, in eggs; the prior for k is beta-binomial, share * weight and (1 - share) * weight
    """
    rows, columns = log_ratios.shape
    most = min(rows, columns)
    k = np.arange(most + 1)
    log_ways = _log_binomial(rows, k) + _log_binomial(columns, k) + gammaln(k + 1)
    log_prior = (
        _log_binomial(most, k)
        + betaln(k + share * weight, most - k + (1 - share) * weight)
        - betaln(share * weight, (1 - share) * weight)
    )
    if most == 0:
        return point_mass(0), 0.0
    # Sums are computed around the prior odds of a pair, where most of the probability lies.
    tilt = float(logit(share) - np.log(max(rows, columns)))
    return _normalise(log_prior - log_ways + log_matching_sums(log_ratios, tilt)[: most + 1])


def pair_weights_by_visibility(log_ratios: Floats, row_visibility: Floats, column_visibility: Floats) -> Floats:
    """(N, M) log-weights of pairs where each object's position says how likely it is visible in the other set.

    log_ratios : (N, M), as for :func:`shared_count`
    row_visibility, column_visibility : (N,), (M,) probabilities in (0, 1) of being in the other set

    Objects are scattered at random (a Poisson process), each in either set with a probability p, q of its own
    position, independently. Those in the rows alone have the density of the rows times 1 - q, those in both that of the
    rows times q and times the density of the columns where they are then found, so that a pair weighs

        exp(log_ratio) q / ((1 - q) M (1 - p))

    against two unpaired objects.
    """
    row_log_odds = logit(row_visibility)
    columns = max(log_ratios.shape[1], 1)
    return np.asarray(log_ratios + row_log_odds[:, None] - np.log1p(-column_visibility) - np.log(columns))


def shared_count_by_visibility(
    weights: Floats, row_visibility: Floats, column_visibility: Floats
) -> tuple[CountDistribution, float]:
    """How many are in both sets, from :func:`pair_weights_by_visibility`, and the log-evidence.

    The log-evidence is that of all rows and columns, so that alignments of the two sets can be compared.
    """
    unpaired = float(np.log1p(-row_visibility).sum() + np.log1p(-column_visibility).sum())
    if min(weights.shape) == 0:
        return point_mass(0), unpaired
    number, evidence = _normalise(log_matching_sums(weights))
    return number, unpaired + evidence


def log_matching_sums(log_ratios: Floats, tilt: float = 0.0) -> Floats:
    """(min(N, M) + 1,) log S_k; terms far from the largest exp(k tilt) S_k may underflow to -inf."""
    rows, columns = log_ratios.shape
    bounded = np.where(log_ratios > _MINIMUM_LOG_RATIO, np.minimum(log_ratios, _MAXIMUM_LOG_RATIO), -np.inf)
    tilted = np.exp(bounded + tilt)
    terms, log_scale = np.ones(1), 0.0
    for row_group, column_group in _components(tilted > 0):
        part = tilted[np.ix_(row_group, column_group)]
        if min(part.shape) <= _MAXIMUM_EXACT_SIDE:
            sums = _exact_sums(part)
        else:
            sums, added = _approximate_sums(part)
            log_scale += added
        scale = sums.sum()
        log_scale += float(np.log(scale))
        terms = np.convolve(terms, sums / scale)
    most = min(rows, columns)
    padded = np.zeros(most + 1)
    padded[: min(len(terms), most + 1)] = terms[: most + 1]
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(padded) + log_scale - tilt * np.arange(most + 1))


def best_pairs(log_ratios: Floats, count: int) -> NDArray[np.int64]:
    """(K, 2) the ``count`` one-to-one pairs with the largest sum; fewer where more are impossible."""
    rows, columns = log_ratios.shape
    count = min(count, rows, columns)
    if count == 0:
        return np.zeros((0, 2), np.int64)
    from scipy.optimize import linear_sum_assignment  # slow to import, and a night with nothing new needs none

    # All rows except ``count`` are assigned to an added column, all columns except ``count`` to an added row.
    size = rows + columns - count
    cost = np.zeros((size, size))
    cost[:rows, :columns] = np.where(log_ratios > _MINIMUM_LOG_RATIO, -log_ratios, _FORBIDDEN_COST)
    cost[rows:, columns:] = _FORBIDDEN_COST
    chosen_rows, chosen_columns = linear_sum_assignment(cost)
    real = (chosen_rows < rows) & (chosen_columns < columns)
    pairs = np.stack([chosen_rows[real], chosen_columns[real]], axis=1).astype(np.int64)
    return pairs[log_ratios[pairs[:, 0], pairs[:, 1]] > _MINIMUM_LOG_RATIO]


def _normalise(log_weights: Floats) -> tuple[CountDistribution, float]:
    """The distribution of 0, 1, 2, ... with these log-weights, and the log of their sum."""
    largest = log_weights.max()
    weights = np.exp(log_weights - largest)
    return CountDistribution(0, weights / weights.sum()), float(largest + np.log(weights.sum()))


def _components(possible: NDArray[np.bool_]) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Groups of rows and columns that are connected by possible pairs."""
    rows, columns = possible.shape
    first, second = np.nonzero(possible)
    links = csr_array((np.ones(len(first)), (first, rows + second)), shape=(rows + columns, rows + columns))
    _, labels = connected_components(links, directed=False)
    return [
        (np.flatnonzero(labels[:rows] == label), np.flatnonzero(labels[rows:] == label))
        for label in np.unique(labels[:rows][possible.any(axis=1)])
    ]


def _exact_sums(ratios: Floats) -> Floats:
    # The state is the set of columns that are taken; its size is the number of pairs.
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


def _approximate_sums(ratios: Floats) -> tuple[Floats, float]:
    # Elementary symmetric sums of the rows' totals, as a Poisson-binomial so that nothing overflows,
    # times the share of column choices without a collision, M! / ((M-k)! M^k).
    table = ratios if ratios.shape[0] <= ratios.shape[1] else ratios.T
    totals = table.sum(axis=1)
    probabilities = np.ones(1)
    for total in totals:
        probabilities = np.convolve(probabilities, [1 / (1 + total), total / (1 + total)])
    columns = table.shape[1]
    k = np.arange(len(totals) + 1)
    log_collision_free = gammaln(columns + 1) - gammaln(columns - k + 1) - k * np.log(columns)
    return probabilities * np.exp(log_collision_free), float(np.log1p(totals).sum())


def _log_binomial(n: int, k: NDArray[np.int64]) -> Floats:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))
