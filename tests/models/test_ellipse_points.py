"""Ellipses as tensors against the same formulas of models.ellipse."""

from __future__ import annotations

import numpy as np
import torch

from models import ellipse
from models.ellipse_points import ellipse_points, relative_radius_squared

ROWS = np.array([[3.0, -2.0, 5.0, 2.0, 30.0], [0.0, 1.0, 4.0, 3.5, -80.0], [7.0, 7.0, 2.0, 2.0, 0.0]])


def test_points_are_those_of_the_outline() -> None:
    turn = torch.arange(48, dtype=torch.float64) * (2 * torch.pi / 48)
    x, y, a, b, degrees = torch.from_numpy(ROWS)[:, :, None].unbind(1)
    points = torch.stack(ellipse_points(x, y, (a, b), torch.deg2rad(degrees), turn), dim=2)
    np.testing.assert_allclose(points.numpy(), ellipse.outline(ROWS, 48), atol=1e-12)


def test_points_inside_are_those_that_the_ellipse_contains() -> None:
    points = np.random.default_rng(1).uniform(-6, 10, (500, 2))
    x, y = torch.from_numpy(points)[:, :, None].unbind(1)
    inside = relative_radius_squared(torch.from_numpy(ROWS), x, y) <= 1
    assert 0 < int(inside.sum()) < inside.numel()
    np.testing.assert_array_equal(inside.T.numpy(), ellipse.contains(ROWS, points))
