"""Ellipses drawn as points and asked for back, beside the fits of OpenCV and scikit-image."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import EllipseModel

from models.ellipse import canonical, contains, fit, outline
from tests.models.ellipse_strategies import Rows, distance, ellipses, repeatably


def drawn(
    row: Rows, *, count: int = 60, first: float = 0.0, arc: float = 360.0, noise: float = 0.0, seed: int = 0
) -> Rows:
    """(count, 2) points along arc degrees of an ellipse from eccentric angle first, with Gaussian noise."""
    cx, cy, a, b, degrees = row
    t = np.deg2rad(first + np.linspace(0.0, arc, count, endpoint=arc < 360))
    turn = np.deg2rad(degrees)
    x = cx + a * np.cos(t) * np.cos(turn) - b * np.sin(t) * np.sin(turn)
    y = cy + a * np.cos(t) * np.sin(turn) + b * np.sin(t) * np.cos(turn)
    return np.column_stack([x, y]) + np.random.default_rng(seed).normal(0, noise, (count, 2))


def fitted(points: Rows) -> Rows:
    found = fit(points)
    assert found is not None
    return found


@repeatably
@given(ellipses(slimmest=20.0), st.floats(60.0, 360.0), st.floats(0.0, 360.0), st.integers(5, 80))
def test_points_on_an_ellipse_give_it_back(row: Rows, arc: float, first: float, count: int) -> None:
    found = fitted(drawn(row, count=count, first=first, arc=arc))
    assert found.shape == (5,)
    assert distance(found, row) <= 1e-6 * row[2]
    assert found[2] >= found[3]
    assert -90 <= found[4] < 90


@pytest.mark.parametrize("ratio", [1e2, 1e3, 1e4, 1e5])
def test_a_sliver_is_fitted_as_well_as_a_round_ellipse(ratio: float) -> None:
    row = np.array([120.0, 80.0, 50.0, 50.0 / ratio, 30.0])
    found = fitted(outline(row, 40)[0])
    np.testing.assert_allclose(found[2:4], row[2:4], rtol=1e-4)
    assert distance(found, row) <= 1e-7


@repeatably
@given(ellipses(least=10.0, greatest=60.0, slimmest=2.0), st.integers(0, 2**32 - 1))
def test_noise_of_half_a_pixel_costs_less_than_a_pixel(row: Rows, seed: int) -> None:
    found = fitted(drawn(row, count=100, noise=0.5, seed=seed))
    assert distance(found, row) <= 1.0


@pytest.mark.parametrize("first", [0.0, 70.0, 200.0])
@pytest.mark.parametrize("degrees", [-80.0, 0.0, 35.0])
def test_half_an_outline_is_enough_under_mild_noise(first: float, degrees: float) -> None:
    # The far half is shadow in most pictures of calcified eggs.
    row = np.array([100.0, 90.0, 33.0, 21.0, degrees])
    errors = [distance(fitted(drawn(row, count=80, first=first, arc=180, noise=0.2, seed=s)), row) for s in range(20)]
    assert np.median(errors) <= 1.0
    assert max(errors) <= 4.0


@repeatably
@given(ellipses(reach=100.0, least=8.0, greatest=60.0, slimmest=3.0), st.integers(0, 2**32 - 1), st.floats(200, 360))
def test_agrees_with_opencv_and_scikit_image_on_the_same_noisy_points(row: Rows, seed: int, arc: float) -> None:
    points = drawn(row, count=70, arc=arc, noise=0.3, seed=seed)
    found = fitted(points)
    # OpenCV's fit is the same method on float32 points.
    (cx, cy), (width, height), degrees = cv2.fitEllipseDirect(points.astype(np.float32))
    assert distance(found, canonical([cx, cy, width / 2, height / 2, degrees])[0]) <= 1e-3 * row[2]
    # scikit-image's is too, in double precision.
    model: Any = EllipseModel.from_estimate(points)  # type: ignore[no-untyped-call]
    other = canonical([*model.center, *model.axis_lengths, np.rad2deg(model.theta)])[0]
    assert distance(found, other) <= 1e-6 * row[2]


@repeatably
@given(ellipses(least=5.0), st.floats(0.01, 100.0), st.integers(0, 2**32 - 1))
def test_fit_goes_along_with_stretching_the_plane(row: Rows, stretch: float, seed: int) -> None:
    points = drawn(row, count=40, noise=row[3] / 20, seed=seed)
    found, stretched = fitted(points), fitted(points * [stretch, 1.0])
    # A point lies inside the one exactly where its image lies inside the other.
    rng = np.random.default_rng(seed)
    probes = rng.normal(row[:2], row[2], (200, 2))
    clear = contains(found * [1, 1, 0.999, 0.999, 1], probes) == contains(found * [1, 1, 1.001, 1.001, 1], probes)
    same = contains(found, probes) == contains(stretched, probes * [stretch, 1.0])
    assert same[clear].all()


def test_fewer_than_five_points_fit_none() -> None:
    # Many ellipses pass through four points; which of them rounding would choose is nobody's answer.
    for seed in range(20):
        points = np.random.default_rng(seed).normal(size=(4, 2))
        for count in range(5):
            assert fit(points[:count]) is None
    assert fit(drawn(np.array([0.0, 0.0, 5.0, 3.0, 20.0]), count=5)) is not None


@pytest.mark.parametrize("direction", [(1.0, 0.0), (0.0, 1.0), (3.0, -2.0)])
@pytest.mark.parametrize("away", [0.0, 1000.0])
def test_points_on_a_line_fit_none(direction: tuple[float, float], away: float) -> None:
    steps = np.random.default_rng(1).uniform(-50, 50, 30)
    assert fit(away + np.outer(steps, direction)) is None


@repeatably
@given(st.integers(0, 2**32 - 1), st.integers(-14, -2))
def test_points_near_a_line_fit_none_or_an_ellipse_no_larger_than_they_call_for(seed: int, power: int) -> None:
    rng = np.random.default_rng(seed)
    points = 50 * np.column_stack([rng.uniform(-1, 1, 20), 10.0**power * rng.normal(size=20)])
    found = fit(points)
    if found is not None:
        assert np.isfinite(found).all()
        assert found[3] <= 50 * 10.0 ** (power + 1)


@pytest.mark.parametrize("place", [(0.0, 0.0), (0.1, 0.3), (123.4, 56.7)])
@pytest.mark.parametrize("count", [5, 7, 30])
def test_coincident_points_fit_none(place: tuple[float, float], count: int) -> None:
    assert fit(np.tile(place, (count, 1))) is None


def test_a_parabola_fits_none() -> None:
    x = np.linspace(-2, 2, 25)
    assert fit(np.column_stack([x, x**2])) is None


def test_two_parallel_lines_fit_none() -> None:
    x = np.linspace(-1, 1, 20)
    assert fit(np.concatenate([np.column_stack([x, x * 0]), np.column_stack([x, x * 0 + 1])])) is None


def test_a_hyperbola_gets_the_ellipse_that_the_method_promises() -> None:
    # No true ellipse passes through them, but the constraint admits nothing else; OpenCV's answer is the same.
    t = np.linspace(-1.5, 1.5, 20)
    branch = np.column_stack([np.cosh(t), np.sinh(t)])
    for points in (branch, np.concatenate([branch, -branch])):
        (cx, cy), (width, height), degrees = cv2.fitEllipseDirect(points.astype(np.float32))
        assert distance(fitted(points), canonical([cx, cy, width / 2, height / 2, degrees])[0]) <= 1e-4


@repeatably
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=5, max_size=9))
def test_any_points_get_a_finite_ellipse_or_none(points: list[tuple[int, int]]) -> None:
    found = fit(points)
    assert found is None or (np.isfinite(found).all() and found[3] > 0)
