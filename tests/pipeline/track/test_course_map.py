"""Frames of a made-up walk along a line, laid out from nothing but how different they are."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from pipeline.track.course_map import _peaks, layout_along_line, monotonic_between, nested_turns
from tests.pipeline.track.simulated_motion import path

Floats = NDArray[np.float64]


@st.composite
def walks(draw: st.DrawFn) -> Floats:
    """Positions in picture differences: up to five passes, each with its own length and pace."""
    corners, direction = [(0, 0.0)], 1
    for _ in range(draw(st.integers(1, 5))):
        swing, pace = draw(st.floats(1.5, 4.0)), draw(st.floats(0.06, 0.2))
        corners.append((corners[-1][0] + int(np.ceil(swing / pace)), corners[-1][1] + direction * swing))
        direction = -direction
    return path(*corners)


@given(walks(), st.integers(0, 2**32 - 1))
def test_a_walk_to_and_fro_is_laid_out_along_its_line(walk: Floats, seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0, 0.02, (len(walk), len(walk)))
    # Frames that are far apart all look equally different.
    apart = np.minimum(np.abs(walk[:, None] - walk[None] + (noise - noise.T) / 2), 2.4)
    for limit in (0.35, 0.6):
        assert abs(np.corrcoef(layout_along_line(apart, limit), walk)[0, 1]) > 0.98


def test_a_straight_walk_keeps_its_distances() -> None:
    walk = np.linspace(0, 3, 40)
    line = layout_along_line(np.abs(walk[:, None] - walk[None]), 0.5)
    assert np.abs(np.diff(line)) == pytest.approx(np.diff(walk))


def test_where_nothing_is_alike_frames_are_laid_out_in_order() -> None:
    line = layout_along_line(2 * (1 - np.eye(30)), 0.5)
    assert len(set(np.sign(np.diff(line)))) == 1


rough = st.lists(st.floats(-3, 3), min_size=3, max_size=60).map(lambda steps: np.cumsum(steps))


@given(rough, st.floats(0.5, 3))
def test_turns_are_alternating_extremes_and_fewer_in_each_set(positions: Floats, smoothing: float) -> None:
    sets = nested_turns(positions, smoothing)
    smooth = gaussian_filter1d(positions, smoothing, mode="nearest")
    assert sets[-1] == ()
    for larger, smaller in pairwise(sets):
        assert set(smaller) < set(larger)
    for turns in sets:
        assert list(turns) == sorted(set(turns))
        assert all(0 < turn < len(positions) - 1 for turn in turns)
        if turns:
            steps = np.diff(smooth[[0, *turns, len(positions) - 1]])
            assert (steps[1:] * steps[:-1] < 0).all()


def test_the_smallest_swing_is_left_out_first() -> None:
    positions = path((0, 0), (40, 10), (56, 6), (88, 14), (144, 0))
    assert nested_turns(positions, 1.0) == [(40, 56, 88), (88,), ()]


@given(rough)
def test_positions_rise_or_fall_between_turns(positions: Floats) -> None:
    for turns in nested_turns(positions, 1.0):
        fitted = monotonic_between(positions, turns)
        for start, end in pairwise((0, *turns, len(positions) - 1)):
            steps = np.diff(fitted[start : end + 1])
            assert (steps >= -1e-9).all() or (steps <= 1e-9).all()


@given(walks())
def test_positions_that_rise_or_fall_already_are_kept(walk: Floats) -> None:
    corners = np.flatnonzero(np.diff(np.sign(np.diff(walk)))) + 1
    np.testing.assert_allclose(monotonic_between(walk, corners.tolist()), walk, atol=1e-9)


@given(st.lists(st.integers(0, 4), min_size=1, max_size=40))
def test_peaks_are_those_of_scipy_also_where_values_repeat(values: list[int]) -> None:
    array = np.array(values, np.float64)
    assert _peaks(array) == find_peaks(array)[0].tolist()
