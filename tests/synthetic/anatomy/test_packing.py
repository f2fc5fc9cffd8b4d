from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from synthetic.anatomy.packing import Container, contact_function, covariances, settle
from tests.synthetic.overlap_by_sampling import overlapping_pairs

Vectors = NDArray[np.float64]

radii = st.floats(1.0, 4.0)
seeds = st.integers(0, 2**32 - 1)
ROOM = Container(np.array([1.0, 2.0, -3.0]), np.array([14.0, 18.0, 11.0]))


def spheres(*radius: float) -> Vectors:
    return np.eye(3)[None] * np.square(radius)[:, None, None]


def crowd(seed: int, number: int) -> tuple[Vectors, Vectors, Vectors]:
    """Centres near the middle of the room, semi-axes of 1 to 4 mm, any rotations."""
    rng = np.random.default_rng(seed)
    centres = ROOM.centre + rng.normal(0, 2, (number, 3))
    return centres, rng.uniform(1, 4, (number, 3)), Rotation.random(number, rng=rng).as_matrix()


def two(seed: int) -> tuple[Vectors, Vectors, Vectors]:
    """Centres, semi-axes and rotations of two ellipsoids, about touching."""
    rng = np.random.default_rng(seed)
    semi_axes = rng.uniform(1, 4, (2, 3))
    direction = rng.normal(size=3)
    far = rng.uniform(0.3, 1.3) * semi_axes.mean(axis=1).sum()
    centres = np.array([np.zeros(3), direction / np.linalg.norm(direction) * far])
    return centres, semi_axes, Rotation.random(2, rng=rng).as_matrix()


@given(radii, radii, st.floats(0.2, 9.0))
def test_contact_of_spheres_is_their_distance_over_both_radii_squared(
    first: float, second: float, apart: float
) -> None:
    """Perram and Wertheim (J Comput Phys 58:409, 1985): for spheres the function is (d / (r1 + r2))^2."""
    exact = (apart / (first + second)) ** 2
    value = contact_function(np.array([[0.0, apart, 0.0]]), spheres(first), spheres(second))[0]
    assert 0.97 * exact <= value <= exact * (1 + 1e-9)


def test_equal_spheres_that_touch_read_exactly_one() -> None:
    assert contact_function(np.array([[0.0, 0.0, 5.0]]), spheres(2.5), spheres(2.5))[0] == pytest.approx(1.0, abs=1e-12)


@settings(deadline=None)
@given(seeds)
def test_contact_is_the_greatest_over_all_blends_and_never_above(seed: int) -> None:
    """The slow version: the bracket of the definition written out, at four hundred values of lambda."""
    centres, semi_axes, rotations = two(seed)
    first, second = covariances(semi_axes, rotations)
    offset = centres[1] - centres[0]
    slow = max(
        blend * (1 - blend) * offset @ np.linalg.inv((1 - blend) * first + blend * second) @ offset
        for blend in np.linspace(0.002, 0.998, 400)
    )
    value = contact_function(offset[None], first[None], second[None])[0]
    assert 0.95 * slow <= value <= slow * (1 + 1e-4)


@settings(deadline=None)
@given(seeds)
def test_contact_agrees_with_sampled_points(seed: int) -> None:
    centres, semi_axes, rotations = two(seed)
    shapes = covariances(semi_axes, rotations)
    value = contact_function((centres[1] - centres[0])[None], shapes[:1], shapes[1:])[0]
    shared = bool(overlapping_pairs(centres, semi_axes, rotations, points=4000))
    if value >= 1.0:
        assert not shared, f"they share points, and contact says {value:.3f}"
    if value < 0.8:
        assert shared, f"no point is shared, and contact says {value:.3f}"


@given(seeds)
def test_contact_does_not_depend_on_which_body_comes_first(seed: int) -> None:
    centres, semi_axes, rotations = two(seed)
    first, second = covariances(semi_axes, rotations)[:, None]
    offset = (centres[1] - centres[0])[None]
    assert contact_function(offset, first, second)[0] == pytest.approx(contact_function(-offset, second, first)[0])


@settings(deadline=None, max_examples=25)
@given(seeds, st.integers(2, 16))
def test_settled_bodies_are_apart_and_in_the_container(seed: int, number: int) -> None:
    centres, semi_axes, rotations = crowd(seed, number)
    settled, placed = settle(centres, semi_axes, rotations, ROOM)
    assert placed.all()
    assert overlapping_pairs(settled, semi_axes, rotations) == []
    assert (np.linalg.norm((settled - ROOM.centre) / ROOM.semi_axes, axis=1) <= 1.0).all()


@settings(deadline=None, max_examples=25)
@given(seeds)
def test_fixed_bodies_stay_exactly_and_the_others_make_way(seed: int) -> None:
    centres, semi_axes, rotations = crowd(seed, 10)
    fixed_count = 3
    centres[:fixed_count] = ROOM.centre + np.array([[-6.0, 0, 0], [6.0, 0, 0], [0, 9.0, 0]])
    settled, placed = settle(centres, semi_axes, rotations, ROOM, fixed_count=fixed_count)
    np.testing.assert_array_equal(settled[:fixed_count], centres[:fixed_count])
    assert placed.all()
    assert overlapping_pairs(settled, semi_axes, rotations) == []


def test_fixed_bodies_outside_the_container_stay() -> None:
    centres = np.array([[90.0, 0, 0], [0, 0, 0]])
    semi_axes = np.full((2, 3), 2.0)
    settled, placed = settle(centres, semi_axes, np.eye(3)[None].repeat(2, 0), ROOM, fixed_count=1)
    assert settled[0].tolist() == [90.0, 0, 0]
    assert placed.all()


@settings(deadline=None, max_examples=10)
@given(seeds)
def test_bodies_without_room_are_reported_and_the_rest_is_apart(seed: int) -> None:
    rng = np.random.default_rng(seed)
    small = Container(np.zeros(3), np.full(3, 6.0))
    centres, semi_axes = rng.normal(0, 1, (20, 3)), np.full((20, 3), 3.0)
    rotations = np.eye(3)[None].repeat(20, 0)
    settled, placed = settle(centres, semi_axes, rotations, small, rounds=60)
    # Twenty balls fill 2.5 times the room that their centres and six tenths of their radii may take.
    assert 1 <= placed.sum() < 20
    assert overlapping_pairs(settled[placed], semi_axes[placed], rotations[placed]) == []


def test_the_input_is_unchanged_and_may_be_empty() -> None:
    centres, semi_axes, rotations = crowd(3, 8)
    before = centres.copy()
    settle(centres, semi_axes, rotations, ROOM)
    np.testing.assert_array_equal(centres, before)
    settled, placed = settle(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3, 3)), ROOM)
    assert settled.shape == (0, 3)
    assert placed.shape == (0,)
