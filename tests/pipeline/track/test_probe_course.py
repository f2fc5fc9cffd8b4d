from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.probe_course import ProbeTurn, straight_course
from tests.pipeline.track.simulated_motion import course_along, path

angles, places = st.floats(-15, 15), st.tuples(st.floats(-500, 500), st.floats(-500, 500))


@given(angles, places, places, st.booleans())
def test_turning_back_undoes_the_turn_of_the_picture(
    degrees: float, place: tuple[float, float], face: tuple[float, float], upside_down: bool
) -> None:
    """A place that the picture shows after a turn by the opposite angle about the middle of the face."""
    course = course_along(
        path((0, 0), (4, 1)), in_plane_degrees=np.full(5, degrees), face_xy=face, upside_down=upside_down
    )
    turned = (place[0] + 1j * place[1]) * np.exp(-1j * np.deg2rad(degrees))
    shown = [face[0] + turned.real, face[1] + turned.imag * (-1 if upside_down else 1)]
    np.testing.assert_allclose(course.turned_back(np.array([2]), np.array([shown])), [place], atol=1e-6)


def test_positions_and_turns_of_frames_in_between_are_interpolated() -> None:
    course = course_along(path((0, 0), (4, 1)), in_plane_degrees=np.array([0.0, 0, 90, 0, 0]))
    assert course.position(np.array([0, 1.5, 4, 9])).tolist() == pytest.approx([0, 0.375, 1, 1])
    half_turned = course.turned_back(np.array([1.5]), np.array([[1.0, 0.0]]))
    assert half_turned == pytest.approx(np.full((1, 2), np.sqrt(0.5)))


def test_a_course_without_pictures_goes_on_at_an_even_pace() -> None:
    course = straight_course(101)
    steps = np.diff(course.position(np.arange(101)))
    assert steps.min() == pytest.approx(steps.max())
    assert steps.min() > 0
    assert (course.turns, course.probability) == ((), 1.0)
    assert len(straight_course(1).frames) == 2


@pytest.mark.parametrize(("probability", "likely"), [(0.49, False), (0.51, True)])
def test_a_turn_is_likely_if_it_is_likelier_than_none(probability: float, likely: bool) -> None:
    assert ProbeTurn(3.0, probability).is_likely == likely
