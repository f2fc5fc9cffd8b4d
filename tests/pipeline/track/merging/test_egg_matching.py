from __future__ import annotations

import itertools
from math import comb, factorial

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from pipeline.track.association import FORBIDDEN, assign
from pipeline.track.merging.egg_matching import (
    best_pairs,
    log_matching_sums,
    pair_weights_by_visibility,
    shared_count,
    shared_count_by_visibility,
)

# Within the range in which ratios are used unchanged.
small = array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=4).flatmap(
    lambda shape: arrays(np.float64, shape, elements=st.floats(-6.5, 8.5))
)


def matchings(rows: int, columns: int, count: int):
    """Every way to pair ``count`` rows with columns, slowly: lists of (row, column)."""
    for chosen in itertools.combinations(range(rows), count):
        for partners in itertools.permutations(range(columns), count):
            yield list(zip(chosen, partners, strict=True))


@settings(deadline=None)
@given(small)
def test_sums_over_matchings_equal_brute_force(log_ratios):
    rows, columns = log_ratios.shape
    expected = [
        np.log(sum(np.exp(sum(log_ratios[i, j] for i, j in pairs)) for pairs in matchings(rows, columns, k)))
        for k in range(min(rows, columns) + 1)
    ]
    np.testing.assert_allclose(log_matching_sums(log_ratios), expected, atol=1e-8)


@settings(deadline=None)
@given(small, st.integers(0, 4))
def test_best_pairs_equal_brute_force(log_ratios, count):
    rows, columns = log_ratios.shape
    count = min(count, rows, columns)
    pairs = best_pairs(log_ratios, count)
    best = max(sum(log_ratios[i, j] for i, j in pairs) for pairs in matchings(rows, columns, count))
    assert len(pairs) == count
    assert log_ratios[pairs[:, 0], pairs[:, 1]].sum() == pytest.approx(best, abs=1e-9)


@settings(deadline=None)
@given(arrays(np.float64, (3, 4), elements=st.one_of(st.floats(0, 10), st.just(FORBIDDEN))))
def test_assignment_takes_most_pairs_then_least_cost(cost):
    rows, columns = assign(cost)
    allowed = [
        (-k, sum(cost[i, j] for i, j in pairs))
        for k in range(4)
        for pairs in matchings(3, 4, k)
        if all(cost[i, j] < FORBIDDEN for i, j in pairs)
    ]
    assert (-len(rows), cost[rows, columns].sum()) == pytest.approx(min(allowed))


@given(st.integers(1, 20), st.integers(1, 20))
def test_uninformative_ratios_leave_the_prior(rows, columns):
    share, weight, smaller = 0.3, 5.0, min(rows, columns)
    number, _ = shared_count(np.zeros((rows, columns)), share, weight)
    prior = scipy.stats.betabinom.pmf(np.arange(smaller + 1), smaller, share * weight, (1 - share) * weight)
    np.testing.assert_allclose(number.probabilities, prior, atol=1e-6)


def test_large_groups_of_equal_ratios_are_exact():
    sums = log_matching_sums(np.full((15, 20), -2.0), tilt=-1.0)
    expected = [np.log(float(comb(15, k) * comb(20, k) * factorial(k))) - 2.0 * k for k in range(10)]
    np.testing.assert_allclose(sums[:10], expected, atol=1e-6)


def test_decisive_ratios_outweigh_the_prior():
    log_ratios = np.full((5, 6), -9.0)
    np.fill_diagonal(log_ratios, 8.0)
    number, _ = shared_count(log_ratios, 0.1, 5.0)
    assert best_pairs(log_ratios, number.median).tolist() == [[k, k] for k in range(5)]
    assert number.probability_within(5, 5) > 0.99


def test_impossible_pairs_are_never_made():
    impossible = np.full((3, 3), -np.inf)
    number, _ = shared_count(impossible, 0.9, 50.0)
    assert len(best_pairs(impossible, number.median)) == 0
    assert number.probability_within(0, 0) == pytest.approx(1.0)


def test_a_thousand_by_a_thousand_takes_seconds():
    generator = np.random.default_rng(7)
    log_ratios = generator.normal(-6.0, 3.0, (1000, 1000))
    number, _ = shared_count(log_ratios, 0.5, 5.0)
    assert number.probabilities.sum() == pytest.approx(1.0)
    pairs = best_pairs(log_ratios, number.median)
    assert len(np.unique(pairs[:, 0])) == len(pairs)


def test_one_pair_is_weighed_by_the_visibility_of_its_positions():
    # Bayes by hand: two objects with (1 - q) and (1 - p), or one in both with q and a position exp(2) times likelier.
    visibility, ratio = (np.array([0.3]), np.array([0.6])), 2.0
    number, _ = shared_count_by_visibility(pair_weights_by_visibility(np.array([[ratio]]), *visibility), *visibility)
    both, apart = 0.3 * np.exp(ratio), (1 - 0.3) * (1 - 0.6)
    assert number.probability_within(1, 1) == pytest.approx(both / (both + apart))


def test_the_shared_count_by_visibility_is_calibrated():
    """Simulation-based calibration (Talts et al. 2018): ranks of the truth in its posterior are uniform."""
    rng = np.random.default_rng(5)
    sd, probability, ranks = 0.02, 0.6, []
    for _ in range(400):
        positions = rng.random(rng.poisson(8.0))
        first, second = rng.random((2, len(positions))) < probability
        a, b = (positions[seen] + rng.normal(0, sd, seen.sum()) for seen in (first, second))
        ratios = scipy.stats.norm.logpdf(a[:, None] - b[None], scale=sd * np.sqrt(2))
        visibility = np.full(len(a), probability), np.full(len(b), probability)
        number, _ = shared_count_by_visibility(pair_weights_by_visibility(ratios, *visibility), *visibility)
        true = int((first & second).sum())
        below, equal = number.probability_within(-1, true - 1), number.probability_within(true, true)
        ranks.append(below + rng.random() * equal)
    histogram = np.histogram(ranks, 8, (0, 1))[0]
    assert scipy.stats.chisquare(histogram).pvalue > 0.01, histogram


def test_the_evidence_prefers_the_alignment_that_fits():
    positions = np.array([0.1, 0.4, 0.8])
    visibility = np.full(3, 0.6), np.full(3, 0.6)

    def evidence(shift):
        ratios = scipy.stats.norm.logpdf(positions[:, None] - positions[None] - shift, scale=0.03)
        return shared_count_by_visibility(pair_weights_by_visibility(ratios, *visibility), *visibility)[1]

    assert evidence(0.0) > evidence(0.12) + 3
