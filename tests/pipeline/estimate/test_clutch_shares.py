from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.clutch_shares import share_within_clutch

EQUAL = np.array([0.4, 0.4])  # the other fifth are follicles


def shared(*calcified, measured=None, existence=None, follicle=0.0):
    """Probability of calcified among the shelled stages, of eggs that alone have the given one."""
    alone = np.array([[follicle, (1 - follicle) * (1 - each), (1 - follicle) * each] for each in calcified])
    is_measured = np.ones(len(alone), bool) if measured is None else np.array(measured)
    sure = np.ones(len(alone)) if existence is None else np.array(existence)
    stages = share_within_clutch(alone, is_measured, sure, EQUAL)
    np.testing.assert_allclose(stages.sum(1), 1.0)
    np.testing.assert_allclose(stages[:, 0], follicle)
    return stages[:, 2] / stages[:, 1:].sum(1)


def test_a_doubtful_egg_follows_its_clutch_and_the_clutch_gets_surer():
    after = shared(0.8, 0.9, 0.9, 0.7, 0.9, 0.45)
    assert after[-1] > 0.5
    assert (after[:-1] > [0.8, 0.9, 0.9, 0.7, 0.9]).all()


def test_a_clutch_of_two_stages_keeps_both():
    after = shared(*[0.99] * 5, *[0.01] * 5)
    assert (after[:5] > 0.95).all()
    assert (after[5:] < 0.05).all()


def test_eggs_without_signs_take_from_the_others_and_give_nothing():
    measured = [True, True, False, False, False]
    after = shared(0.8, 0.8, 0.05, 0.05, 0.05, measured=measured)
    np.testing.assert_allclose(after[:2], shared(0.8, 0.8))
    np.testing.assert_allclose(after[2:], (2 * after[0] + 0.05) / 3)


def test_an_object_that_is_hardly_real_gives_hardly_anything():
    alone = shared(0.6)
    assert shared(0.6, 0.01, existence=[1.0, 1e-6])[0] == pytest.approx(alone[0], abs=1e-4)


@given(st.lists(st.floats(0.01, 0.99), min_size=1, max_size=8))
def test_the_two_stages_are_treated_alike(calcified):
    np.testing.assert_allclose(shared(*calcified), 1 - shared(*(1 - each for each in calcified)), atol=1e-9)


def test_follicles_are_left_as_they_are():
    np.testing.assert_allclose(shared(0.2, 0.9, follicle=0.8), [0.2, 0.9])
