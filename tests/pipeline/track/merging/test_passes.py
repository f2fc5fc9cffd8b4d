from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.merging.passes import Pass, passes_of
from pipeline.track.probe_course import straight_course
from tests.pipeline.track.simulated_motion import course_along, path

numbers = st.floats(-50, 50)


@given(st.tuples(numbers, numbers).map(sorted), st.tuples(numbers, numbers).map(sorted))
def test_the_covered_share_is_that_of_many_points(own: list[float], other: list[float]) -> None:
    share = Pass("a", 0, 1, *own).covered_share(*other)
    assert 0 <= share <= 1
    points = [other[0] + (other[1] - other[0]) * (k + 0.5) / 200 for k in range(200)]
    assert share == pytest.approx(sum(own[0] <= point <= own[1] for point in points) / 200, abs=0.011)


def test_passes_cover_the_clip_and_where_the_probe_was() -> None:
    course = course_along(path((0, 0), (40, 4), (70, 1), (120, 9)))
    passes = passes_of("a", course, 121)
    assert [(one.start_frame, one.end_frame) for one in passes] == [(0, 40), (40, 70), (70, 121)]
    assert [(one.low, one.high) for one in passes] == [(0, 4), (1, 4), (1, 9)]
    for frame in range(121):
        assert sum(one.contains_frame(frame) for one in passes) == 1


def test_a_course_without_pictures_is_one_pass() -> None:
    (one,) = passes_of("a", straight_course(50), 50)
    assert (one.start_frame, one.end_frame, one.low) == (0, 50, 0)
    assert one.high > 0
