"""Sections of ellipsoids, checked with the ellipsoid's equation at points of the section."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from torch import Tensor

from models.ellipse import outline
from models.ellipsoid import section
from tests.models.ellipse_strategies import distance, repeatably
from tests.models.ellipsoid_shape import shape_matrix

Vector = NDArray[np.float64]

seeds = st.integers(0, 2**32 - 1)
semi_axes = st.tuples(*[st.floats(2.0, 40.0)] * 3)


@dataclass(frozen=True)
class Case:
    """An ellipsoid of semi-axes along the columns of a rotation, and a plane o + x u + y v."""

    centre: Vector
    semi_axes: Vector
    rotation: Vector
    origin: Vector
    u: Vector
    v: Vector

    def section(self, dtype: torch.dtype = torch.float64) -> tuple[Vector, float]:
        def tensor(values: Vector) -> Tensor:
            return torch.from_numpy(values).to(dtype)

        ellipse, closeness = section(
            tensor(self.centre),
            shape_matrix(tensor(self.semi_axes), tensor(self.rotation)),
            tensor(self.origin),
            tensor(self.u),
            tensor(self.v),
        )
        return ellipse.double().numpy(), float(closeness)

    def clearance(self) -> float:
        """How far from the centre the plane passes: 0 through it, 1 where it touches.

        The map p -> diag(1 / a) R' (p - c) makes the ellipsoid a unit sphere and the plane a plane.
        """

        def unit(vector: Vector) -> Vector:
            return np.asarray((self.rotation.T @ vector) / self.semi_axes)

        normal = np.cross(unit(self.u), unit(self.v))
        return float(abs(unit(self.origin - self.centre) @ normal) / np.linalg.norm(normal))


def case(axes: tuple[float, ...], seed: int, clearance: float) -> Case:
    """A random ellipsoid and a random plane at a clearance; the origin is a random point of the plane."""
    rng = np.random.default_rng(seed)
    semi = np.array(axes)
    rotation = Rotation.random(rng=rng).as_matrix()
    centre = rng.uniform(-50, 50, 3)
    u, v, normal = Rotation.random(rng=rng).as_matrix().T
    # The tangent planes across a normal n lie |diag(a) R' n| from the centre.
    away = clearance * np.linalg.norm(semi * (rotation.T @ normal))
    origin = centre + away * normal + rng.uniform(-30, 30) * u + rng.uniform(-30, 30) * v
    return Case(centre, semi, rotation, origin, u, v)


@repeatably
@given(semi_axes, seeds, st.floats(0.0, 0.98))
def test_the_section_lies_on_the_ellipsoid(axes: tuple[float, ...], seed: int, clearance: float) -> None:
    cut = case(axes, seed, clearance)
    ellipse, _ = cut.section()
    assert ellipse[2] >= ellipse[3] > 0
    assert -90 <= ellipse[4] < 90
    for x, y in outline(ellipse, corners=12)[0]:  # five points determine an ellipse
        point = cut.origin + x * cut.u + y * cut.v
        along = cut.rotation.T @ (point - cut.centre)
        assert ((along / cut.semi_axes) ** 2).sum() == pytest.approx(1.0, abs=1e-8)


@repeatably
@given(semi_axes, seeds, st.floats(0.0, 2.0))
def test_closeness_to_the_centre_is_right_and_planes_that_miss_give_nan(
    axes: tuple[float, ...], seed: int, clearance: float
) -> None:
    cut = case(axes, seed, clearance)
    assert cut.clearance() == pytest.approx(clearance, abs=1e-9)
    ellipse, closeness = cut.section()
    if clearance < 1 - 1e-9:
        assert np.isfinite(ellipse).all()
        assert closeness == pytest.approx(np.sqrt(1 - clearance**2), abs=1e-6)
    if clearance > 1 + 1e-9:
        assert np.isnan(ellipse).all()
        assert closeness == 0


@repeatably
@given(semi_axes, seeds, st.floats(0.0, 0.98))
def test_closeness_is_the_size_relative_to_the_parallel_section_through_the_centre(
    axes: tuple[float, ...], seed: int, clearance: float
) -> None:
    outer, closeness = case(axes, seed, clearance).section()
    greatest, whole = case(axes, seed, 0.0).section()
    assert whole == pytest.approx(1.0, abs=1e-6)
    np.testing.assert_allclose(outer[2:4], closeness * greatest[2:4], rtol=1e-5)


@pytest.mark.parametrize("distance_mm", [0.0, 3.0, 12.0, 14.9])
def test_sections_of_a_sphere_are_circles(distance_mm: float) -> None:
    radius = 15.0
    cut = case((radius, radius, radius), seed=4, clearance=distance_mm / radius)
    ellipse, closeness = cut.section()
    expected = np.sqrt(radius**2 - distance_mm**2)
    np.testing.assert_allclose(ellipse[2:4], expected, rtol=1e-9)
    assert closeness == pytest.approx(expected / radius)
    # The circle's centre is the foot of the perpendicular from the sphere's centre.
    foot = cut.centre - cut.origin
    np.testing.assert_allclose(ellipse[:2], [foot @ cut.u, foot @ cut.v], atol=1e-9)


def test_random_sections_of_a_sphere_have_the_sizes_of_geometry() -> None:
    # All distances d < R are equally likely, and the plane cuts a circle of radius sqrt(R^2 - d^2). So a share of
    # sqrt(1 - 0.9^2) = 0.436 of the sections is at least 0.9 diameters wide, and the mean radius is pi R / 4.
    number, radius = 40_000, 11.0
    rng = np.random.default_rng(20)
    frames = torch.from_numpy(Rotation.random(number, rng=rng).as_matrix())  # (N, 3, 3): u, v and the normal
    origin = torch.from_numpy(rng.uniform(-radius, radius, (number, 1))) * frames[:, 2]
    shape = shape_matrix(torch.full((3,), radius, dtype=torch.float64), torch.eye(3, dtype=torch.float64))
    ellipses, _ = section(torch.zeros(3, dtype=torch.float64), shape, origin, frames[:, 0], frames[:, 1])
    radii = ellipses[:, 2].numpy()
    assert len(radii) == number
    # Four standard errors of a share over 40000 sections are 0.01.
    assert (radii >= 0.9 * radius).mean() == pytest.approx(0.436, abs=0.01)
    assert (radii >= 0.95 * radius).mean() == pytest.approx(0.312, abs=0.01)
    assert radii.mean() == pytest.approx(np.pi / 4 * radius, rel=0.01)


def test_a_batch_gives_the_same_as_single_calls() -> None:
    rng = np.random.default_rng(6)
    cases = [case(tuple(rng.uniform(2, 20, 3)), seed, clearance=0.5) for seed in range(5)]
    centre, semi, rotation, origin, u, v = (
        torch.from_numpy(np.stack([getattr(one, name) for one in cases]))
        for name in ("centre", "semi_axes", "rotation", "origin", "u", "v")
    )
    shape = shape_matrix(semi, rotation)
    assert shape.shape == (5, 3, 3)
    # Every plane through every ellipsoid, as in the renderer.
    ellipses, closeness = section(centre, shape, origin[:, None], u[:, None], v[:, None])
    assert ellipses.shape == (5, 5, 5)
    assert closeness.shape == (5, 5)
    for plane in range(5):
        for body in range(5):
            alone, near = section(centre[body], shape[body], origin[plane], u[plane], v[plane])
            torch.testing.assert_close(ellipses[plane, body], alone, equal_nan=True)
            torch.testing.assert_close(closeness[plane, body], near)
    assert 0 < torch.isnan(ellipses[..., 0]).sum() < 25  # there are hits and misses


@repeatably
@given(semi_axes, seeds, st.floats(0.0, 0.9))
def test_single_precision_is_good_to_a_thousandth(axes: tuple[float, ...], seed: int, clearance: float) -> None:
    # Renderers work in float32, which must not change outlines in mm.
    cut = case(axes, seed, clearance)
    exact, _ = cut.section()
    rough, _ = cut.section(torch.float32)
    # A disc is worse conditioned than an egg: beyond a ratio of ten to one the tolerance grows with the ratio.
    flat = max(1.0, max(axes) / min(axes) / 10)
    assert distance(rough, exact) <= 1e-3 * flat * exact[2] + 1e-3
