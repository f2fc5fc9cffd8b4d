"""Ellipses against their definition, against rasters and against exact values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.ellipse import (
    area,
    bounding_boxes,
    canonical,
    circumference,
    contains,
    from_log_matrix,
    outline,
    overlap,
    overlap_at_most,
    overlapping,
    project,
    to_log_matrix,
    wrap_degrees,
)
from tests.models.ellipse_strategies import Rows, distance, ellipses, repeatably

any_angle = st.floats(-1000.0, 1000.0)


def implicit_equation(points: Rows, row: Rows) -> Rows:
    """(M,) the left side of ((p - c)' u / a)^2 + ((p - c)' v / b)^2 = 1, computed point by point."""
    cx, cy, a, b, degrees = row
    values = []
    for x, y in points:
        along = (x - cx) * np.cos(np.deg2rad(degrees)) + (y - cy) * np.sin(np.deg2rad(degrees))
        across = -(x - cx) * np.sin(np.deg2rad(degrees)) + (y - cy) * np.cos(np.deg2rad(degrees))
        values.append((along / a) ** 2 + (across / b) ** 2)
    return np.array(values)


def rasterised_overlap(first: Rows, second: Rows, cells: int = 600) -> float:
    """Intersection over union, by counting cells of a fine grid."""
    boxes = bounding_boxes([first, second])
    low, high = boxes[:, :2].min(axis=0), (boxes[:, :2] + boxes[:, 2:]).max(axis=0)
    share = (np.arange(cells) + 0.5) / cells
    x, y = np.meshgrid(*(low[axis] + share * (high - low)[axis] for axis in (0, 1)))
    inside = []
    for cx, cy, a, b, degrees in (first, second):
        turn = np.deg2rad(degrees)
        along, across = (
            (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn),
            (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn),
        )
        inside.append((along / a) ** 2 + (across / b) ** 2 <= 1)
    return float((inside[0] & inside[1]).sum() / (inside[0] | inside[1]).sum())


@repeatably
@given(ellipses(), any_angle, st.booleans())
@example(np.array([0.0, 0.0, 2.0, 1.0, 0.0]), -90.00000000000001, False)  # its remainder is rounded up to 180
def test_canonical_keeps_the_outline_for_any_order_of_axes_and_any_angle(
    row: Rows, degrees: float, swapped: bool
) -> None:
    row[4] = degrees
    if swapped:
        row[[2, 3]] = row[[3, 2]]
    form = canonical(row)
    assert form.shape == (1, 5)
    assert form[0, 2] >= form[0, 3]
    assert -90.0 <= form[0, 4] < 90.0
    assert distance(form[0], row) <= 1e-9 * (1 + np.abs(row[:4]).max())
    np.testing.assert_allclose(area(form), area(row), rtol=1e-12)


@repeatably
@given(ellipses(), any_angle)
def test_canonical_is_idempotent(row: Rows, degrees: float) -> None:
    row[4] = degrees
    once = canonical(row)
    np.testing.assert_array_equal(canonical(once), once)


def test_canonical_does_not_modify_its_argument() -> None:
    rows = np.array([[0.0, 0.0, 1.0, 2.0, 200.0]])
    canonical(rows)
    np.testing.assert_array_equal(rows, [[0.0, 0.0, 1.0, 2.0, 200.0]])


def test_angles_run_from_x_towards_y_which_points_down() -> None:
    # At 90 degrees the major axis is vertical; at +45 it runs right and down.
    np.testing.assert_allclose(bounding_boxes([0, 0, 2, 1, 90]), [[-1, -2, 2, 4]], atol=1e-12)
    assert contains([0, 0, 10, 1, 45], [[6, 6], [6, -6]]).tolist() == [[True, False]]


@repeatably
@given(ellipses())
def test_bounding_box_is_the_smallest_box_around_the_outline(row: Rows) -> None:
    points = outline(row, corners=7200)[0]
    box = bounding_boxes(row)[0]
    # Between two corners the outline bulges by at most a (1 - cos(pi / 7200)).
    slack = row[2] * (1 - np.cos(np.pi / 7200)) + 1e-9
    np.testing.assert_allclose(box[:2], points.min(axis=0), atol=slack)
    np.testing.assert_allclose(box[:2] + box[2:], points.max(axis=0), atol=slack)


@repeatably
@given(ellipses(), st.integers(3, 60))
def test_outline_is_on_the_curve(row: Rows, corners: int) -> None:
    points = outline(row, corners)
    assert points.shape == (1, corners, 2)
    np.testing.assert_allclose(implicit_equation(points[0], row), 1.0, atol=1e-9 * (1 + np.abs(row[:2]).max() / row[3]))


@repeatably
@given(ellipses(reach=20, greatest=20), st.integers(0, 2**32 - 1))
def test_contains_is_the_implicit_equation(row: Rows, seed: int) -> None:
    points = np.random.default_rng(seed).normal(row[:2], row[2], size=(40, 2))
    value = implicit_equation(points, row)
    clear = np.abs(value - 1) > 1e-9  # on the curve itself rounding decides
    np.testing.assert_array_equal(contains(row, points)[0][clear], (value <= 1)[clear])


def test_contains_compares_every_ellipse_with_every_point() -> None:
    inside = contains([[0, 0, 2, 1, 0], [5, 0, 2, 1, 90]], [[0.0, 0.0], [5.0, 1.5], [1.5, 0.0]])
    assert inside.tolist() == [[True, False, True], [False, True, False]]


@repeatably
@given(ellipses(greatest=50))
def test_area_is_that_of_a_fine_polygon(row: Rows) -> None:
    x, y = outline(row, corners=5000)[0].T
    shoelace = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    np.testing.assert_allclose(area(row), shoelace, rtol=1e-6)


@repeatably
@given(ellipses())
def test_the_circumference_is_the_length_of_a_fine_polygon(row: Rows) -> None:
    points = outline(row, corners=4096)[0]
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    np.testing.assert_allclose(circumference(row)[0], sides.sum(), rtol=5e-4)


@repeatably
@given(ellipses(least=0.1, slimmest=50.0))
def test_log_matrix_and_back(row: Rows) -> None:
    back = from_log_matrix(row[:2], to_log_matrix(row))[0]
    assert distance(back, row) <= 1e-10 * (1 + np.abs(row[:4]).max())


def test_log_matrix_of_a_circle_is_independent_of_its_angle() -> None:
    circles = np.array([[1.0, 2.0, 9.0, 9.0, degrees] for degrees in (-90.0, -30.0, 0.0, 45.0, 89.0)])
    matrices = to_log_matrix(circles)
    np.testing.assert_allclose(matrices, [[np.log(9), np.log(9), 0]] * 5, atol=1e-12)
    np.testing.assert_allclose(from_log_matrix(circles[:, :2], matrices)[:, :4], circles[:, :4], rtol=1e-12)


@repeatably
@given(st.floats(1.0, 50.0), st.floats(-90, 90), st.floats(-90, 90))
def test_log_matrix_does_not_jump_where_the_angle_does(size: float, first: float, second: float) -> None:
    # Two nearly round ellipses are nearly the same at any angles, and so must be their matrices.
    rows = [[0, 0, size * 1.001, size, first], [0, 0, size * 1.001, size, second]]
    one, other = to_log_matrix(rows)
    np.testing.assert_allclose(one, other, atol=0.0011)


@repeatably
@given(ellipses())
def test_log_matrix_is_the_logarithm_of_the_shape(row: Rows) -> None:
    xx, yy, xy = to_log_matrix(row)[0]
    values, vectors = np.linalg.eigh([[xx, xy], [xy, yy]])
    exponential = vectors @ np.diag(np.exp(values)) @ vectors.T
    turn = np.deg2rad(row[4])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    np.testing.assert_allclose(exponential, rotation @ np.diag(row[2:4]) @ rotation.T, rtol=1e-9, atol=1e-9 * row[2])


near = ellipses(reach=15.0, least=4.0, greatest=15.0, slimmest=3.0)


@settings(repeatably, max_examples=40)
@given(near, near)
@example(np.array([0.0, 0, 40, 5, 0]), np.array([0.0, 0, 40, 5, 90]))  # a cross
@example(np.array([0.0, 0, 10, 10, 0]), np.array([1.0, 0, 4, 4, 0]))  # one inside the other: 0.16
@example(np.array([0.0, 0, 10, 10, 0]), np.array([30.0, 0, 10, 10, 0]))  # apart
def test_overlap_equals_that_of_rasters(first: Rows, second: Rows) -> None:
    # The error of a grid of 600 x 600 cells is a fraction of the cells along the outlines, below 0.004.
    assert overlap(first, second)[0, 0] == pytest.approx(rasterised_overlap(first, second), abs=0.004)


def test_overlap_of_circles_follows_the_lens_formula() -> None:
    # Two circles of radius r at distance d share 2 r^2 acos(d / 2r) - d sqrt(4 r^2 - d^2) / 2 (plane geometry).
    radius = 20.0
    for distance_px in (0.0, 5.0, 17.0, 33.0, 39.0, 41.0):
        d = min(distance_px, 2 * radius)
        shared = 2 * radius**2 * np.arccos(d / (2 * radius)) - d / 2 * np.sqrt(4 * radius**2 - d**2)
        expected = shared / (2 * np.pi * radius**2 - shared)
        found = overlap([0, 0, radius, radius, 10], [distance_px, 0, radius, radius, -40])[0, 0]
        assert found == pytest.approx(expected, abs=0.001), distance_px


@repeatably
@given(near, near)
def test_overlap_is_symmetric_and_one_with_itself(first: Rows, second: Rows) -> None:
    rows = np.array([first, second])
    both = overlap(rows, rows)
    np.testing.assert_allclose(np.diag(both), 1.0, atol=1e-9)
    assert both[0, 1] == pytest.approx(both[1, 0], abs=1e-9)
    assert 0 <= both[0, 1] <= 1


@repeatably
@given(near, near, any_angle, st.floats(-500, 500), st.floats(-500, 500), st.floats(0.05, 50))
def test_overlap_is_invariant_to_shift_rotation_and_scale(
    first: Rows, second: Rows, degrees: float, x: float, y: float, scale: float
) -> None:
    turn = np.deg2rad(degrees)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def moved(row: Rows) -> Rows:
        return np.array([*(scale * (rotation @ row[:2]) + [x, y]), *(scale * row[2:4]), row[4] + degrees])

    # The corners of the polygons are fixed to the axes of the ellipses, so only rounding may differ.
    assert overlap(moved(first), moved(second))[0, 0] == pytest.approx(overlap(first, second)[0, 0], abs=1e-7)


def test_overlap_of_many_equals_single_calls() -> None:
    rng = np.random.default_rng(8)
    rows = np.column_stack(
        [rng.uniform(0, 40, (7, 2)), rng.uniform(8, 20, 7), rng.uniform(3, 8, 7), rng.uniform(-90, 90, 7)]
    )
    together = overlap(rows[:4], rows)
    assert together.shape == (4, 7)
    alone = [[overlap(a, b)[0, 0] for b in rows] for a in rows[:4]]
    np.testing.assert_array_equal(together, alone)
    assert 0 < (together > 0).mean() < 1  # there are both kinds of pairs


def test_overlap_with_no_ellipses_is_empty() -> None:
    assert overlap(np.zeros((0, 5)), [[0, 0, 1, 1, 0]]).shape == (0, 1)
    assert overlap([[0, 0, 1, 1, 0]], np.zeros((0, 5))).shape == (1, 0)


@settings(max_examples=30)
@given(
    st.lists(ellipses(reach=40.0, least=3.0, greatest=30.0, slimmest=3.0), min_size=2, max_size=7), st.floats(0, 0.9)
)
def test_overlapping_agrees_with_overlap(rows: list[Rows], more_than: float) -> None:
    expected = overlap(rows, rows) > more_than
    np.fill_diagonal(expected, False)
    np.testing.assert_array_equal(overlapping(rows, more_than), expected)


def test_overlapping_of_no_ellipses_is_empty() -> None:
    assert overlapping(np.zeros((0, 5)), 0.5).shape == (0, 0)


@repeatably
@given(near, st.integers(0, 2**32 - 1))
def test_project_moves_every_point_of_the_outline_with_the_homography(row: Rows, seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 2 * np.pi)
    homography = np.array(
        [[np.cos(turn), -np.sin(turn), 5.0], [np.sin(turn), np.cos(turn), -3.0], [*rng.uniform(-0.003, 0.003, 2), 1.0]]
    )
    projected = project(row, homography)
    points = np.column_stack([outline(row, 12)[0], np.ones(12)]) @ homography.T
    np.testing.assert_allclose(implicit_equation(points[:, :2] / points[:, 2:], projected), 1.0, atol=1e-6)
    assert projected[2] >= projected[3]


@repeatably
@given(any_angle)
@example(-90.00000000000001)  # its remainder is rounded up to 180
def test_wrapped_degrees_are_the_same_direction_in_range(degrees: float) -> None:
    (wrapped,) = wrap_degrees(np.array([degrees]))
    assert -90.0 <= wrapped < 90.0
    assert abs((wrapped - degrees + 90.0) % 180.0 - 90.0) <= 1e-9


@repeatably
@given(near, near, near)
def test_overlaps_stay_below_their_bound_and_only_wanted_pairs_are_computed(
    first: Rows, second: Rows, third: Rows
) -> None:
    rows = np.stack([first, second, third])
    all_pairs, wanted = overlap(rows, rows), np.triu(np.ones((3, 3), np.bool_), 1)
    assert np.all(all_pairs <= overlap_at_most(rows, rows) + 1e-3)
    assert np.array_equal(overlap(rows, rows, wanted), np.where(wanted, all_pairs, 0))
