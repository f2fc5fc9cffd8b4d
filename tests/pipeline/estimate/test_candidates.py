from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.candidates import log_likelihood_ratio, log_number_prior, looks, sift
from pipeline.settings import Look, load_settings
from pipeline.track.tracks import ClipTracks, Track

SETTINGS = load_settings().track


def slowly(log_ratios, look_alikes, none):
    """Every subset of candidates weighed by itself: the number, and each one's chance."""
    count = len(log_ratios)
    number, existence = np.zeros(count + 1), np.zeros(count)
    prior = np.exp(log_number_prior(np.arange(count + 1), none))
    for real in itertools.product([False, True], repeat=count):
        r = sum(real)
        likeness = math.exp(sum(ratio for ratio, is_real in zip(log_ratios, real, strict=True) if is_real))
        weight = prior[r] * math.factorial(r) * look_alikes ** (count - r) * likeness
        number[r] += weight
        existence += weight * np.array(real)
    return number / number.sum(), existence / number.sum()


@given(st.lists(st.floats(-8, 8), max_size=7), st.floats(0.1, 4.0), st.floats(0.1, 0.9))
def test_candidates_are_weighed_as_all_subsets_are(log_ratios, look_alikes, none):
    sifted = sift(np.array(log_ratios), look_alikes=look_alikes, none=none)
    number, existence = slowly(log_ratios, look_alikes, none)
    np.testing.assert_allclose(sifted.existence, existence, atol=1e-6)
    for r, probability in enumerate(number):
        assert sifted.number.within(r, r) == pytest.approx(probability, abs=1e-6)


def test_candidates_vouch_for_each_other():
    alone = sift(np.array([1.0]), look_alikes=1.0, none=0.5).existence[0]
    among_eggs = sift(np.array([1.0] + [8.0] * 5), look_alikes=1.0, none=0.5).existence[0]
    assert alone < 0.5 < among_eggs


def test_what_a_person_confirmed_is_certain():
    sifted = sift(np.array([np.inf, -9.0]), look_alikes=1.0, none=0.5)
    assert sifted.existence[0] == pytest.approx(1.0)
    assert sifted.number.within(0, 0) == pytest.approx(0.0)


def test_a_thousand_candidates_keep_their_chances():
    ratios = np.concatenate([np.full(30, 8.0), np.full(970, -9.0)])
    sifted = sift(ratios, look_alikes=1.0, none=0.5)
    assert sifted.existence[:30].min() > 0.99
    assert sifted.existence[30:].max() < 0.05
    assert sifted.number.probabilities.sum() == pytest.approx(1.0)


def test_the_number_of_real_candidates_is_calibrated():
    """Simulation-based calibration (Talts et al. 2018): ranks of the truth in its posterior are uniform."""
    rng = np.random.default_rng(3)
    look_alikes, none, apart, ranks = 1.5, 0.3, 2.0, []
    prior = np.exp(log_number_prior(np.arange(201), none))
    for _ in range(600):
        real = int(rng.choice(201, p=prior / prior.sum()))
        false = int(rng.poisson(look_alikes))
        # A look of unit spread, real ones higher by ``apart``: its log-likelihood ratio is linear.
        looks = np.concatenate([rng.normal(apart, 1, real), rng.normal(0, 1, false)])
        number = sift(apart * looks - apart**2 / 2, look_alikes=look_alikes, none=none).number
        ranks.append(number.below(real) + rng.random() * number.within(real, real))
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


def looks_of(*tracks, shelled=True):
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, tracks)
    seen = looks([clip], shelled=shelled, settings=SETTINGS)
    return [seen["left-1.mp4", each.identity] for each in tracks]


def test_looks_are_scores_and_kind():
    (plain,) = looks_of(track([0.5] * 20))
    assert plain[:2] == pytest.approx([0.0, 0.0])
    assert plain[2] > 3
    assert looks_of(track([0.5] * 20), shelled=False)[0][2] == pytest.approx(-plain[2])


def test_looks_tell_what_is_unlike_the_other_eggs():
    sizes = (40.0, 41.0, 39.0, 60.0)
    *eggs, odd = looks_of(*(track([0.9] * 20, identity=1 + k, size=size) for k, size in enumerate(sizes)))
    assert all(egg[3] > -0.2 for egg in eggs)
    assert odd[3] == -4.0
    # Follicles are no measure of eggs, and one egg alone is not unlike any.
    alone, _ = looks_of(track([0.9] * 20, size=60.0), track([0.9] * 20, (0.9, 0.05, 0.05), identity=2))
    assert alone[3] == -1.0


def test_the_track_that_says_most_speaks_for_an_object():
    look = Look(base=-1.0, score=1.0, best_score=1.0, kind=0.0, alike=0.0)
    faint, bright = looks_of(track([0.5] * 10), track([0.9] * 10, identity=2))
    one, both = (log_likelihood_ratio(tracks, look) for tracks in ([bright], [faint, bright]))
    assert one == both == pytest.approx(-1.0 + 2 * np.log(9))
