from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_tables import LikelihoodWeights
from pipeline.estimate.candidates import candidate_posterior, log_count_prior, log_likelihood_ratio
from pipeline.estimate.track_features import FEATURE_NAMES


def enumerated_posterior(log_ratios, expected_false_tracks, none):
    """The posterior from every subset of the candidates: the number of real ones, and the probability of each."""
    count = len(log_ratios)
    number, existence = np.zeros(count + 1), np.zeros(count)
    prior = np.exp(log_count_prior(np.arange(count + 1), none))
    for real in itertools.product([False, True], repeat=count):
        r = sum(real)
        likelihood_ratio = math.exp(sum(ratio for ratio, is_real in zip(log_ratios, real, strict=True) if is_real))
        weight = prior[r] * math.factorial(r) * expected_false_tracks ** (count - r) * likelihood_ratio
        number[r] += weight
        existence += weight * np.array(real)
    return number / number.sum(), existence / number.sum()


@given(st.lists(st.floats(-8, 8), max_size=7), st.floats(0.1, 4.0), st.floats(0.1, 0.9))
def test_the_posterior_equals_the_enumeration_of_all_subsets(log_ratios, expected_false_tracks, none):
    posterior = candidate_posterior(
        np.array(log_ratios), expected_false_tracks=expected_false_tracks, zero_count_prior=none
    )
    number, existence = enumerated_posterior(log_ratios, expected_false_tracks, none)
    np.testing.assert_allclose(posterior.existence, existence, atol=1e-6)
    for r, probability in enumerate(number):
        assert posterior.real_count.probability_within(r, r) == pytest.approx(probability, abs=1e-6)


def test_candidates_support_each_other():
    alone = candidate_posterior(np.array([1.0]), expected_false_tracks=1.0, zero_count_prior=0.5).existence[0]
    among_eggs = candidate_posterior(
        np.array([1.0] + [8.0] * 5), expected_false_tracks=1.0, zero_count_prior=0.5
    ).existence[0]
    assert alone < 0.5 < among_eggs


def test_what_a_person_confirmed_is_certain():
    posterior = candidate_posterior(np.array([np.inf, -9.0]), expected_false_tracks=1.0, zero_count_prior=0.5)
    assert posterior.existence[0] == pytest.approx(1.0)
    assert posterior.real_count.probability_within(0, 0) == pytest.approx(0.0)


def test_only_a_person_makes_a_candidate_certain():
    """However clear its features are, they count for no more than 12 log units, for it or against it."""
    for clear, bound in ((100.0, 12.0), (-100.0, -12.0)):
        posterior = candidate_posterior(np.array([clear, 1.0]), expected_false_tracks=1.0, zero_count_prior=0.5)
        _, existence = enumerated_posterior([bound, 1.0], 1.0, 0.5)
        np.testing.assert_allclose(posterior.existence, existence, rtol=1e-9)
        assert 0.0 < posterior.existence[0] < 1.0


def test_the_prior_of_the_count_halves_where_the_count_doubles_up_to_200():
    prior = np.exp(log_count_prior(np.arange(300), 0.3))
    assert prior[0] == pytest.approx(0.3)
    assert prior[:201].sum() == pytest.approx(1.0)
    np.testing.assert_allclose(prior[2:201:2], prior[1:101] / 2)
    assert (prior[201:] < 1e-100).all()


def test_a_thousand_candidates_are_no_problem_for_rounding():
    ratios = np.concatenate([np.full(30, 8.0), np.full(970, -9.0)])
    posterior = candidate_posterior(ratios, expected_false_tracks=1.0, zero_count_prior=0.5)
    assert posterior.existence[:30].min() > 0.99
    assert posterior.existence[30:].max() < 0.05
    assert posterior.real_count.probabilities.sum() == pytest.approx(1.0)


def test_the_number_of_real_candidates_is_calibrated():
    """Simulation-based calibration (Talts et al. 2018): ranks of the truth in its posterior are uniform."""
    rng = np.random.default_rng(3)
    expected_false_tracks, none, apart, ranks = 1.5, 0.3, 2.0, []
    prior = np.exp(log_count_prior(np.arange(201), none))
    for _ in range(600):
        real = int(rng.choice(201, p=prior / prior.sum()))
        false = int(rng.poisson(expected_false_tracks))
        # A normal feature of unit variance, higher by ``apart`` for real ones: its log-likelihood ratio is linear.
        values = np.concatenate([rng.normal(apart, 1, real), rng.normal(0, 1, false)])
        number = candidate_posterior(
            apart * values - apart**2 / 2, expected_false_tracks=expected_false_tracks, zero_count_prior=none
        ).real_count
        ranks.append(number.probability_below(real) + rng.random() * number.probability_within(real, real))
    found = np.histogram(ranks, 8, (0, 1))[0]
    assert scipy.stats.chisquare(found).pvalue > 0.01, found


def weights_of(*values, intercept=0.0):
    return LikelihoodWeights(intercept=intercept, **dict(itertools.zip_longest(FEATURE_NAMES, values, fillvalue=0.0)))


def test_every_feature_has_a_weight_of_its_name():
    assert set(FEATURE_NAMES) == set(LikelihoodWeights.model_fields) - {"intercept"}
    features = np.zeros(len(FEATURE_NAMES))
    features[:4] = [1.0, 2.0, 3.0, -4.0]
    assert log_likelihood_ratio([features], weights_of(1.0, 3.0, 10.0, 30.0, intercept=0.5)) == pytest.approx(-82.5)


def test_the_strongest_track_decides_about_an_object():
    faint, bright = np.zeros(len(FEATURE_NAMES)), np.full(len(FEATURE_NAMES), 2.0)
    weights = weights_of(1.0, 1.0, intercept=-1.0)
    one, both = (log_likelihood_ratio(tracks, weights) for tracks in ([bright], [faint, bright]))
    assert one == both == pytest.approx(3.0)
