"""Follicle or egg, from probabilities and signs that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_file import KindSign, KindWeights
from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.kind_model import assign_kinds, bounded_log_odds, kind_signs, sign_log_odds
from pipeline.settings import load_settings
from pipeline.track.merging.merge import Egg, EggTrack
from pipeline.track.tracks import ClipTracks, Track

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


def staged(stages, signs):
    """The stages of an egg after its kind was assigned."""
    count = 10
    track = Track(
        1, np.arange(count), np.ones((count, 5)), np.ones(count), np.tile(stages, (count, 1)), np.full(count, 0.9)
    )
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, (track,), signs={} if signs is None else {1: signs})
    egg = Egg(1, (EggTrack("left-1.mp4", 1),), 0.9, np.array(stages), 0.9)
    settings = load_settings()
    settings = settings.with_calibration(settings.calibration.model_copy(update={"kind": WEIGHTS}))
    (assigned,) = assign_kinds([egg], [clip], settings)
    return assigned


def test_clear_signs_overrule_a_certain_network():
    stages = 0.0, 0.999, 0.001
    assert not staged(stages, BRIGHT_BALL).is_shelled
    assert staged(stages, SHELL).is_shelled
    assert staged(stages, None).is_shelled
    assert staged((1.0, 0.0, 0.0), SHELL).is_shelled


def test_the_stages_of_shells_keep_their_ratio():
    egg = staged((0.1, 0.6, 0.3), SHELL)
    assert egg.stages.sum() == pytest.approx(1.0)
    assert egg.stages[1] == pytest.approx(2 * egg.stages[2])
    assert egg.stages[0] < 0.01


def test_no_eggs_are_no_problem():
    assert assign_kinds([], [], load_settings()) == ()
