from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass, poisson, poisson_binomial

chances = st.lists(st.floats(0.0, 1.0), max_size=12)


@given(chances)
def test_poisson_binomial_has_the_mean_and_variance_of_its_events(events):
    number = poisson_binomial(events)
    assert number.mean == pytest.approx(sum(events), abs=1e-6)
    assert number.variance == pytest.approx(sum(p * (1 - p) for p in events), abs=1e-5)


def test_poisson_binomial_of_equal_probabilities_is_scipys_binomial():
    number = poisson_binomial([0.3] * 10)
    expected = scipy.stats.binom.pmf(number.numbers, 10, 0.3)
    np.testing.assert_allclose(number.probabilities, expected, atol=1e-8)


@pytest.mark.parametrize("mean", [0.0, 0.05, 1.0, 7.5])
def test_poisson_is_scipys(mean):
    number = poisson(mean)
    expected = scipy.stats.poisson.pmf(number.numbers, mean)
    np.testing.assert_allclose(number.probabilities, expected, atol=1e-8)


@given(chances, chances)
def test_sums_add_means_and_variances(first, second):
    total = poisson_binomial(first).plus(poisson_binomial(second))
    assert total.mean == pytest.approx(sum(first) + sum(second), abs=1e-6)


@given(chances, st.integers(0, 15))
def test_a_number_subtracted_from_a_total_is_mirrored(events, total):
    number = poisson_binomial(events)
    remainder = number.subtracted_from(total)
    assert remainder.mean == pytest.approx(total - number.mean, abs=1e-9)
    assert remainder.variance == pytest.approx(number.variance, abs=1e-9)


def test_quantiles_are_the_smallest_number_that_reaches_the_level():
    die = CountDistribution(1, np.full(6, 1 / 6))
    assert [die.quantile(level) for level in (0.05, 1 / 6, 0.5, 0.51, 0.95, 1.0)] == [1, 1, 3, 4, 6, 6]
    assert die.probability_within(2, 3) == pytest.approx(1 / 3)


@given(chances, st.integers(0, 20))
def test_a_known_lower_bound_holds_with_certainty(events, bound):
    bounded = poisson_binomial(events).given_at_least(bound)
    assert bounded.lowest >= bound
    assert bounded.probabilities.sum() == pytest.approx(1.0)


def test_a_mixture_is_between_its_parts():
    mixed = mixture([(point_mass(-2), 0.25), (point_mass(1), 0.75)])
    assert mixed.probability_within(-2, -2) == pytest.approx(0.25)
    assert mixed.probability_within(-1, 0) == 0
    assert mixed.mean == pytest.approx(0.25)
