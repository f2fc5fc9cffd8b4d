"""Courses found in the likeness of frames of made-up walks, whose turns are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.track.course_search import candidate_readings, find_courses
from pipeline.track.frame_likeness import FaceGeometry, FrameLikeness
from pipeline.track.probe_course import ProbeCourse
from tests.pipeline.track.simulated_motion import likeness_along, path, turning_frames

GEOMETRY = FaceGeometry((0, 0, 128, 96), (64.0, 0.0), 96.0)
Floats = NDArray[np.float64]

ONE_PASS = path((0, 0), (60, 3), (160, 12))
# To and fro at uneven paces, in picture differences.
WALKS = [
    ONE_PASS,
    path((0, 0), (60, 4), (200, 0)),
    path((0, 0), (50, 4), (110, 0.5), (200, 6)),
    path((0, 0), (50, 4), (130, 0), (170, 4), (260, 1)),
    path((0, 0), (60, 5), (110, 1), (170, 5), (240, 0), (300, 4)),
]


def best(likeness: FrameLikeness, frame_rate: float | None = 25.0) -> ProbeCourse:
    return find_courses(likeness, GEOMETRY, frame_rate)[0]


@pytest.mark.parametrize("walk", WALKS, ids=range(5))
def test_all_turns_are_found_at_their_frames(walk: Floats) -> None:
    course = best(likeness_along(walk))
    assert [turn.frame for turn in course.turns] == pytest.approx(turning_frames(walk), abs=5)
    assert all(turn.is_likely for turn in course.turns)
    assert np.corrcoef(course.positions, walk)[0, 1] > 0.98
    assert course.positions[0] == 0


@pytest.mark.parametrize(
    "walk",
    [
        path((0, 0), (60, 5), (110, 5), (170, 10)),
        path((0, 0), (150, 0)),
        path((0, 0), (70, 5), (73, 6.5), (77, 5.1), (150, 11)),
    ],
    ids=["a rest", "a standstill", "a kick"],
)
def test_a_probe_that_does_not_turn_back_has_no_turn(walk: Floats) -> None:
    assert best(likeness_along(walk)).turns == ()


@pytest.mark.parametrize("stride", [2, 5])
@pytest.mark.parametrize("walk", WALKS, ids=range(5))
def test_every_second_or_fifth_frame_gives_the_same_turns(walk: Floats, stride: int) -> None:
    turns = best(likeness_along(walk[::stride]), 25.0 / stride).turns
    assert [stride * turn.frame for turn in turns] == pytest.approx(turning_frames(walk), abs=5 + stride)


def test_a_rest_at_the_turn_has_its_turn_in_the_middle() -> None:
    (turn,) = best(likeness_along(path((0, 0), (60, 5), (90, 5), (150, 0)))).turns
    assert turn.frame == pytest.approx(75, abs=4)


def test_the_in_plane_turn_follows_the_pictures() -> None:
    """The picture is turned by 8 degrees after the turn of the hand."""
    walk = path((0, 0), (60, 4), (120, 0))
    angle = np.where(np.arange(len(walk)) > 60, 8.0, 0.0).astype(np.float32)
    plain = likeness_along(walk)
    course = best(FrameLikeness(plain.frames, plain.likeness, angle[None] - angle[:, None]))
    found = np.median(course.in_plane_degrees[80:]) - np.median(course.in_plane_degrees[:40])
    assert found == pytest.approx(8.0, abs=1.0)


def test_without_two_frames_there_is_no_course() -> None:
    for count in (0, 1):
        assert find_courses(likeness_along(np.zeros(count)), GEOMETRY) == ()
    assert len(best(likeness_along(np.array([0.0, 0.1]))).positions) == 2


@settings(max_examples=30)
@given(st.integers(2, 80), st.integers(0, 1000), st.sampled_from([None, 5.0, 25.0]))
def test_probabilities_of_all_readings_sum_to_one(count: int, seed: int, frame_rate: float | None) -> None:
    walk = np.cumsum(np.random.default_rng(seed).normal(0, 0.3, count))
    courses = find_courses(likeness_along(walk, noise=0.5, seed=seed), GEOMETRY, frame_rate)
    probabilities = [course.probability for course in courses]
    assert sum(probabilities) == pytest.approx(1.0)
    assert probabilities == sorted(probabilities, reverse=True)
    for course in courses:
        assert np.isfinite(course.positions).all()
        assert np.isfinite(course.in_plane_degrees).all()
        frames = [turn.frame for turn in course.turns]
        assert frames == sorted(frames)
        for turn in course.turns:
            assert 0 <= turn.frame <= count - 1
            assert course.probability - 1e-9 <= turn.probability <= 1 + 1e-9


def test_the_reading_without_turns_is_always_among_them() -> None:
    for walk in WALKS:
        _, readings = candidate_readings(likeness_along(walk), 25.0)
        assert readings[0].turns == ()
        assert len({reading.turns for reading in readings}) == len(readings)


def test_a_minute_of_frames_is_searched_in_seconds() -> None:
    """As many frames as are kept of a clip of any length."""
    walk = path((0, 0), (400, 20), (1000, 0))
    (turn,) = best(likeness_along(walk)).turns
    assert turn.frame == pytest.approx(400, abs=8)
