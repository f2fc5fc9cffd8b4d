"""Follicle or egg, from probabilities and signs that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_tables import KindSign, KindWeights
from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.kind_model import bounded_log_odds, follicle_probability, kind_signs, sign_log_odds

NAN = float("nan")
WEIGHTS = KindWeights(
    interior=KindSign(neutral=20.0, weight=0.1),
    wall_all_round=KindSign(neutral=0.0, weight=0.1),
    shadow=KindSign(neutral=0.0, weight=0.0),
)
BRIGHT_BALL = ShellSigns(40.0, 3.0, 0.0, 55.0, 0.0, 8.0, 0.0, 0.0, -15.0, 45.0, 5)
SHELL = ShellSigns(70.0, 3.0, 20.0, -40.0, 0.0, 8.0, 0.0, 0.0, 30.0, 30.0, 5)
UNKNOWN = ShellSigns(NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 5)


def test_a_bright_inside_and_no_wall_speak_for_a_follicle():
    assert sign_log_odds(kind_signs(BRIGHT_BALL), WEIGHTS) == pytest.approx(3.5 + 1.5)
    assert sign_log_odds(kind_signs(SHELL), WEIGHTS) == pytest.approx(-2.0 - 3.0)


def test_a_dark_inside_is_no_more_than_not_bright():
    dark, grey = (sign_log_odds(kind_signs(replace(UNKNOWN, interior=level)), WEIGHTS) for level in (-80.0, 0.0))
    assert dark == grey == pytest.approx(-2.0)


@pytest.mark.parametrize("signs", [None, UNKNOWN])
def test_signs_that_could_not_be_measured_say_nothing(signs):
    assert sign_log_odds(kind_signs(signs), WEIGHTS) == 0.0


@given(st.floats(0, 1))
def test_what_the_network_can_say_is_bounded_and_symmetric(follicle):
    odds = bounded_log_odds(follicle)
    assert abs(odds) <= 3.5
    assert odds == pytest.approx(-bounded_log_odds(1 - follicle))
    assert np.sign(round(odds, 9)) == np.sign(round(follicle - 0.5, 9))


def test_clear_signs_overrule_a_certain_network():
    assert follicle_probability(0.0, BRIGHT_BALL, WEIGHTS) > 0.5
    assert follicle_probability(1.0, SHELL, WEIGHTS) < 0.5


@pytest.mark.parametrize("signs", [None, UNKNOWN])
def test_without_signs_the_network_decides_but_is_never_certain(signs):
    assert follicle_probability(0.0, signs, WEIGHTS) == pytest.approx(0.03)
    assert follicle_probability(0.5, signs, WEIGHTS) == pytest.approx(0.5)
    assert follicle_probability(1.0, signs, WEIGHTS) == pytest.approx(0.97)
