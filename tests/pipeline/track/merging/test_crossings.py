"""Two crossings compared with every pair of their sections looked at one by one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.track.merging.crossings import CrossingPair, compare_crossings
from pipeline.track.tracks import Track
from tests.pipeline.track.simulated_motion import course_along, path

COURSE = course_along(path((0, 0), (40, 4), (80, 0), (130, 5)))
BOTH = np.ones((2, 2), bool)


def track(first: int, sizes: list[float], x: float, y: float = 100.0) -> Track:
    count = len(sizes)
    ellipses = np.column_stack([np.full(count, x), np.full(count, y), sizes, sizes, np.zeros(count)]).astype(float)
    stages = np.tile([0.0, 0.1, 0.9], (count, 1))
    return Track(1, first + np.arange(count), ellipses, ellipses[:, 1], stages, np.full(count, 0.8))


def compare(first: Track, second: Track) -> CrossingPair:
    (pair,) = compare_crossings([first, second], COURSE, BOTH)
    return pair


def test_at_one_position_the_distance_is_in_sums_of_both_sizes() -> None:
    pair = compare(track(10, [20.0] * 5, 100), track(66, [30.0] * 5, 125))
    assert (pair.distance, pair.gap, pair.waist) == pytest.approx((0.5, 0.0, 0.0))


def test_across_a_gap_the_nearest_ends_count() -> None:
    moving = track(0, [20.0] * 10, 100)
    moving.ellipses[:, 0] += 4 * np.arange(10)
    pair = compare(moving, track(20, [20.0] * 5, 136))
    assert pair.gap == pytest.approx(1.1)
    assert pair.distance == pytest.approx(0.0, abs=0.06)


def test_sections_that_shrink_in_between_have_a_waist() -> None:
    sizes = [30.0, 20.0, 10.0]
    assert compare(track(10, sizes, 100), track(13, sizes[::-1], 100)).waist == pytest.approx(2 / 3)
    assert compare(track(10, sizes[::-1], 100), track(13, sizes, 100)).waist == pytest.approx(0.0)


def test_pairs_far_apart_or_not_possible_are_left_out() -> None:
    tracks = [track(10, [20.0] * 5, 100), track(20, [20.0] * 5, 400)]
    assert compare_crossings(tracks, COURSE, BOTH) == ()
    near = [tracks[0], track(20, [20.0] * 5, 110)]
    assert len(compare_crossings(near, COURSE, BOTH)) == 1
    assert compare_crossings(near, COURSE, ~BOTH) == ()
    assert compare_crossings([], COURSE, np.zeros((0, 0), bool)) == ()


starts, sizes = st.integers(0, 120), st.lists(st.floats(5, 50), min_size=1, max_size=10)


@given(starts, starts, sizes, sizes, st.floats(60, 140), st.floats(60, 140))
def test_the_pair_is_the_same_in_either_order(
    first: int, second: int, sizes_a: list[float], sizes_b: list[float], x: float, y: float
) -> None:
    a, b = track(first, sizes_a, 100), track(second, sizes_b, x, y)
    found, swapped = compare_crossings([a, b], COURSE, BOTH), compare_crossings([b, a], COURSE, BOTH)
    assert len(found) == len(swapped)
    for one, other in zip(found, swapped, strict=True):
        assert (one.gap, one.waist) == pytest.approx((other.gap, other.waist))
        assert one.distance >= 0
        assert 0 <= one.waist < 1
        apart = np.abs(COURSE.position(a.frames)[:, None] - COURSE.position(b.frames))
        positions_meet = max(COURSE.position(a.frames).min(), COURSE.position(b.frames).min()) <= min(
            COURSE.position(a.frames).max(), COURSE.position(b.frames).max()
        )
        assert one.gap == pytest.approx(0.0 if positions_meet else apart.min())
