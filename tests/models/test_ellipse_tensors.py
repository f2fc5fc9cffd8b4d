"""Ellipses in torch against the same formulas in numpy (models.ellipse) and against numpy's eigenvalues."""

from __future__ import annotations

import numpy as np
import torch
from hypothesis import given
from hypothesis import strategies as st

from models import ellipse, ellipse_tensors
from tests.models.ellipse_strategies import Rows, distance, ellipses, repeatably

entries = st.floats(-5.0, 5.0)


@repeatably
@given(entries, entries, entries)
def test_eigenvalues_and_direction_are_those_of_the_matrix(xx: float, yy: float, xy: float) -> None:
    tensors = [torch.tensor(value, dtype=torch.float64) for value in (xx, yy, xy)]
    larger, smaller = (float(value) for value in ellipse_tensors.eigenvalues(*tensors))
    np.testing.assert_allclose([smaller, larger], np.linalg.eigvalsh([[xx, xy], [xy, yy]]), atol=1e-12)
    angle = np.deg2rad(float(ellipse_tensors.major_direction(*tensors)))
    direction = np.array([np.cos(angle), np.sin(angle)])
    np.testing.assert_allclose(np.array([[xx, xy], [xy, yy]]) @ direction, larger * direction, atol=1e-12)


@repeatably
@given(st.lists(ellipses(least=0.1, slimmest=50.0), min_size=1, max_size=6))
def test_log_matrices_agree_with_numpy(rows: list[Rows]) -> None:
    ours = ellipse_tensors.to_log_matrix(torch.from_numpy(np.array(rows)))
    np.testing.assert_allclose(ours.numpy(), ellipse.to_log_matrix(rows), atol=1e-12)


@repeatably
@given(st.lists(ellipses(least=0.1, slimmest=50.0), min_size=1, max_size=6))
def test_semi_axes_of_log_matrices_agree_with_numpy(rows: list[Rows]) -> None:
    log_matrix = ellipse.to_log_matrix(rows)
    ours = ellipse_tensors.log_semi_axes(torch.from_numpy(log_matrix)).exp()
    np.testing.assert_allclose(ours, ellipse.from_log_matrix(np.array(rows)[:, :2], log_matrix)[:, 2:4], rtol=1e-12)


@repeatably
@given(ellipses(reach=0.0))
def test_the_direction_of_a_log_matrix_agrees_with_numpy(row: Rows) -> None:
    degrees = ellipse_tensors.major_direction(*torch.from_numpy(ellipse.to_log_matrix(row)[0]))
    assert distance([*row[:4], float(degrees)], row) <= 1e-9 * row[2]
