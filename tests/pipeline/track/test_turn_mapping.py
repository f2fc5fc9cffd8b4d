from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.turn_mapping import TurnMapping

EVEN = TurnMapping.at_pace(300.0, 1.0)


@given(turn=st.floats(50, 500), pace=st.floats(0.5, 2.0), frame=st.floats(0, 1000))
def test_home_is_the_way_back_of_forth(turn: float, pace: float, frame: float) -> None:
    course = TurnMapping.at_pace(turn, pace)
    assert float(course.to_outbound(course.to_return(frame))) == pytest.approx(frame, abs=1e-6)
    assert float(course.to_return(turn)) == pytest.approx(turn)


def delay(first: tuple[float, float], second: tuple[float, float], *, high: float = 600.0) -> float:
    return float(EVEN.delay(np.array([first]), np.array([second]), 0.0, high)[0, 0])


def test_a_crossing_comes_again_end_first() -> None:
    assert delay((20, 120), (480, 580)) == pytest.approx(0.0)
    assert delay((20, 120), (490, 590)) == pytest.approx(10.0)
    # Seen for longer, on either side alike, it is no later.
    assert delay((20, 120), (470, 590)) == pytest.approx(0.0)


def test_what_the_end_cuts_off_is_known_by_its_beginning() -> None:
    assert delay((20, 120), (480, 509), high=510) == pytest.approx(0.0)
    assert delay((20, 120), (500, 509), high=510) == pytest.approx(20.0)
    # Where the clip goes on, it ended too early.
    assert delay((20, 120), (480, 509)) < -30


def test_what_the_beginning_cuts_off_is_known_by_its_end() -> None:
    assert delay((0, 40), (560, 640), high=700) == pytest.approx(0.0)
    assert delay((0, 40), (560, 590), high=700) == pytest.approx(-5.0)  # it ended before even what was seen of it


def test_what_is_too_long_already_is_too_late() -> None:
    assert delay((100, 120), (480, 599), high=600) == pytest.approx((0 + 99) / 2)
