from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.turn_mapping import TurnMapping

EVEN = TurnMapping.at_pace(300.0, 1.0)


@given(turn=st.floats(50, 500), pace=st.floats(0.5, 2.0), frame=st.floats(0, 1000))
def test_both_directions_are_inverse_to_each_other(turn: float, pace: float, frame: float) -> None:
    mapping = TurnMapping.at_pace(turn, pace)
    assert float(mapping.to_outbound(mapping.to_return(frame))) == pytest.approx(frame, abs=1e-6)
    assert float(mapping.to_return(turn)) == pytest.approx(turn)


def delay(first: tuple[float, float], second: tuple[float, float], *, high: float = 600.0) -> float:
    return float(EVEN.delay(np.array([first]), np.array([second]), 0.0, high)[0, 0])


def test_a_crossing_comes_again_end_first() -> None:
    assert delay((20, 120), (480, 580)) == pytest.approx(0.0)
    assert delay((20, 120), (490, 590)) == pytest.approx(10.0)
    # If it is visible longer at both ends alike, it is not later.
    assert delay((20, 120), (470, 590)) == pytest.approx(0.0)


def test_of_a_crossing_cut_off_by_the_end_of_the_clip_the_beginning_counts() -> None:
    assert delay((20, 120), (480, 509), high=510) == pytest.approx(0.0)
    assert delay((20, 120), (500, 509), high=510) == pytest.approx(20.0)
    # If the clip goes on, the crossing ended too early.
    assert delay((20, 120), (480, 509)) < -30


def test_of_a_crossing_cut_off_by_the_beginning_of_the_clip_the_end_counts() -> None:
    assert delay((0, 40), (560, 640), high=700) == pytest.approx(0.0)
    assert delay((0, 40), (560, 590), high=700) == pytest.approx(
        -5.0
    )  # it is even shorter than the visible part of the first crossing


def test_a_crossing_that_is_too_long_although_cut_off_is_late() -> None:
    assert delay((100, 120), (480, 599), high=600) == pytest.approx((0 + 99) / 2)


def test_a_mapping_works_in_both_directions_and_is_extended_at_its_pace() -> None:
    even = TurnMapping.at_pace(50, 2.0)
    assert even.to_return([50, 40]).tolist() == pytest.approx([50, 70])
    assert even.to_outbound([70, 90]).tolist() == pytest.approx([40, 30])
    # On the return the probe rests from frame 40 to 50 at the place of outbound frame 20, which maps to the mean.
    resting = TurnMapping(np.array([10.0, 20, 20, 30]), np.array([60.0, 50, 40, 30]))
    assert resting.to_return([10, 15, 30]).tolist() == pytest.approx([60, 52.5, 30])
    assert resting.to_outbound([60, 30, 90]).tolist() == pytest.approx([10, 30, -10])
