"""Covariances against random points and matrices; distances against integrals on a grid."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from hypothesis import given
from numpy.typing import NDArray

from models.ellipse import overlap, to_log_matrix
from models.gaussian_distance import covariance, hellinger_distance
from tests.models.ellipse_strategies import ellipses, repeatably

Rows = NDArray[np.float64]

ROUND = [0.0, 0.0, 3.0, 3.0, 0.0]
PAIRS = {
    "beside": (ROUND, [1.0, -0.5, 3.0, 3.0, 0.0]),
    "larger": (ROUND, [0.0, 0.0, 4.5, 4.5, 0.0]),
    "longer and turned": ([0.0, 0.0, 5.0, 2.0, 20.0], [0.7, 0.4, 4.0, 3.0, -50.0]),
    "apart": (ROUND, [9.0, 2.0, 3.0, 2.0, 70.0]),
}


def covariance_of(row: list[float]) -> torch.Tensor:
    return covariance(torch.from_numpy(to_log_matrix(row)[0]))


def distance(first: list[float], second: list[float]) -> float:
    shift = torch.tensor(first[:2], dtype=torch.float64) - torch.tensor(second[:2], dtype=torch.float64)
    return float(hellinger_distance(shift, covariance_of(first), covariance_of(second)))


@pytest.mark.parametrize("row", [ROUND, [0.0, 0.0, 5.0, 2.0, 35.0], [0.0, 0.0, 8.0, 7.9, -80.0]])
def test_the_covariance_is_that_of_random_points_in_the_ellipse(row: list[float]) -> None:
    rng = np.random.default_rng(1)
    turn, radius = rng.uniform(0, 2 * np.pi, 400_000), np.sqrt(rng.uniform(0, 1, 400_000))
    along, across, angle = row[2] * radius * np.cos(turn), row[3] * radius * np.sin(turn), np.deg2rad(row[4])
    x, y = along * np.cos(angle) - across * np.sin(angle), along * np.sin(angle) + across * np.cos(angle)
    scattered = np.cov(x, y)
    expected = [scattered[0, 0], scattered[1, 1], scattered[0, 1]]
    np.testing.assert_allclose(covariance_of(row).numpy(), expected, atol=0.01 * row[2] ** 2 / 4)


@repeatably
@given(ellipses(reach=0.0, least=0.1, greatest=20.0))
def test_the_covariance_is_a_quarter_of_the_squared_semi_axes_along_them(row: Rows) -> None:
    turn = np.deg2rad(row[4])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    expected = rotation @ np.diag(row[2:4] ** 2 / 4) @ rotation.T
    xx, yy, xy = covariance_of(row.tolist()).numpy()
    np.testing.assert_allclose([[xx, xy], [xy, yy]], expected, rtol=1e-9, atol=1e-9 * row[2] ** 2)


@pytest.mark.parametrize("name", PAIRS)
def test_the_distance_is_the_hellinger_distance_of_the_densities(name: str) -> None:
    # Hellinger: H^2 = 1 - integral of sqrt(p q), summed over a fine grid.
    axis = np.linspace(-25, 25, 1001)
    x, y = np.meshgrid(axis, axis)

    def density(row: list[float]) -> Rows:
        xx, yy, xy = covariance_of(row).numpy()
        inverse = np.linalg.inv([[xx, xy], [xy, yy]])
        dx, dy = x - row[0], y - row[1]
        power = inverse[0, 0] * dx**2 + 2 * inverse[0, 1] * dx * dy + inverse[1, 1] * dy**2
        return np.asarray(np.exp(-power / 2) * np.sqrt(np.linalg.det(inverse)) / (2 * np.pi))

    first, second = PAIRS[name]
    shared = np.sqrt(density(first) * density(second)).sum() * (axis[1] - axis[0]) ** 2
    assert distance(first, second) == pytest.approx(np.sqrt(1 - shared), rel=1e-3)


def test_distance_grows_as_overlap_falls() -> None:
    rows = [[shift, 0.0, 6.0, 4.0, 0.0] for shift in (0.0, 0.3, 1.0, 3.0, 8.0)]
    distances = [distance(rows[0], row) for row in rows]
    overlaps = [float(overlap(rows[0], row)[0, 0]) for row in rows]
    assert distances == sorted(distances)
    assert overlaps == sorted(overlaps, reverse=True)
    assert distances[0] <= 1.1e-3


def test_small_errors_of_centre_and_axes_have_equal_distances() -> None:
    for size in (2.0, 20.0):
        row = [0.0, 0.0, size, size, 0.0]
        shifted = distance(row, [0.02 * size, 0.0, size, size, 0.0])
        larger = distance(row, [0.0, 0.0, 1.02 * size, 1.02 * size, 0.0])
        assert shifted == pytest.approx(0.02 / np.sqrt(2), rel=0.02)
        assert larger == pytest.approx(0.02 / np.sqrt(2), rel=0.03)


def test_gradients_are_finite_for_the_output_of_an_untrained_network() -> None:
    predicted = torch.tensor([[0.0, 0.0, 0.0], [9.0, -9.0, 3.0], [2.0, 2.0, 0.0], [-5.0, -5.0, 0.1]]).T.requires_grad_()
    true = torch.from_numpy(to_log_matrix([[0, 0, np.exp(2.0), np.exp(2.0), 0.0]] * 4)).float().T
    shift = torch.tensor([[0.0, 30.0, 0.0, 1.0], [0.0, -4.0, 0.0, 2.0]]).requires_grad_()
    distances = hellinger_distance(shift, covariance(predicted), covariance(true))
    assert ((distances >= 0) & (distances <= 1)).all()
    distances.sum().backward()
    assert predicted.grad is not None
    assert shift.grad is not None
    assert torch.isfinite(predicted.grad).all()
    assert torch.isfinite(shift.grad).all()
