from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_file import LikelihoodWeights
from pipeline.estimate.candidates import (
    FEATURE_NAMES,
    candidate_features,
    candidate_posterior,
    log_count_prior,
    log_likelihood_ratio,
)
from pipeline.settings import load_settings
from pipeline.track.tracks import ClipTracks, Track

SETTINGS = load_settings().track


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


def track(scores, stages=(0.05, 0.1, 0.85), *, identity=1, size=40.0):
    count = len(scores)
    ellipses = np.tile([300.0, 200.0, size, 0.75 * size, 0.0], (count, 1))
    return Track(
        identity,
        np.arange(count),
        ellipses,
        ellipses[:, 1].copy(),
        np.tile(stages, (count, 1)),
        np.array(scores, float),
    )


def features_of(*tracks, shelled=True):
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, tracks)
    seen = candidate_features([clip], shelled=shelled, settings=SETTINGS)
    return [seen["left-1.mp4", each.identity] for each in tracks]


def test_features_hold_the_log_odds_of_scores_and_kind():
    (plain,) = features_of(track([0.5] * 20))
    assert plain[:2] == pytest.approx([0.0, 0.0])
    assert plain[2] > 3
    assert features_of(track([0.5] * 20), shelled=False)[0][2] == pytest.approx(-plain[2])
    # One sighting with a probability of 0.4 of a follicle: odds of 1.5 for a shelled egg.
    unsure = track([0.5], (0.4, 0.3, 0.3))
    assert features_of(unsure)[0][2] == pytest.approx(math.log(1.5))
    assert features_of(unsure, shelled=False)[0][2] == pytest.approx(-math.log(1.5))


def test_features_hold_how_similar_the_size_is_to_the_other_eggs():
    sizes = (40.0, 41.0, 39.0, 60.0)
    *eggs, odd = features_of(*(track([0.9] * 20, identity=1 + k, size=size) for k, size in enumerate(sizes)))
    assert all(egg[3] > -0.2 for egg in eggs)
    assert odd[3] == -4.0
    # Eggs are not compared with follicles, and an egg alone has no others to be compared with.
    alone, _ = features_of(track([0.9] * 20, size=60.0), track([0.9] * 20, (0.9, 0.05, 0.05), identity=2))
    assert alone[3] == -1.0


def test_size_similarity_is_a_squared_deviation():
    """A section 1.5 standard deviations of 0.15 log units smaller or larger than the others."""
    for deviation in (-1.5, 1.5):
        sizes = 40.0, 40.0, 40.0 * math.exp(0.15 * deviation)
        *_, odd = features_of(*(track([0.9] * 20, identity=1 + k, size=size) for k, size in enumerate(sizes)))
        assert odd[3] == pytest.approx(-2.25)


@pytest.mark.parametrize(
    ("near", "far"),
    [
        ({"mm_per_px": 0.2}, {"mm_per_px": 0.1}),
        ({"mm_per_px": None, "imaging_depth_px": 400.0}, {"mm_per_px": None, "imaging_depth_px": 800.0}),
    ],
)
def test_sizes_are_compared_in_mm_or_relative_to_the_imaging_depth(near, far):
    """The same egg in two clips, one of which is zoomed in to twice the size in px."""
    clips = [
        ClipTracks(file=file, window="left", frames=100, tracks=(track([0.9] * 20, size=size),), **scale)
        for file, size, scale in (("left-1.mp4", 40.0, near), ("left-2.mp4", 80.0, far))
    ]
    features = candidate_features(clips, shelled=True, settings=SETTINGS)
    assert [features[clip.file, 1][3] for clip in clips] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_every_feature_has_a_weight_of_its_name():
    assert set(FEATURE_NAMES) == set(LikelihoodWeights.model_fields) - {"intercept"}
    weights = {name: weight for name, weight in zip(FEATURE_NAMES, (1.0, 3.0, 10.0, 30.0), strict=True)}
    features = np.array([1.0, 2.0, 3.0, -4.0])
    assert log_likelihood_ratio([features], LikelihoodWeights(intercept=0.5, **weights)) == pytest.approx(-82.5)


def test_the_strongest_track_decides_about_an_object():
    likelihood_weights = LikelihoodWeights(intercept=-1.0, score=1.0, upper_score=1.0, kind=0.0, size_similarity=0.0)
    faint, bright = features_of(track([0.5] * 10), track([0.9] * 10, identity=2))
    one, both = (log_likelihood_ratio(tracks, likelihood_weights) for tracks in ([bright], [faint, bright]))
    assert one == both == pytest.approx(-1.0 + 2 * np.log(9))
