"""Whether ellipsoids overlap, by testing random points: slow and independent of the program."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

Vectors = NDArray[np.float64]


def points_in_ball(number: int, seed: int = 0) -> Vectors:
    """(N, 3) random points of the unit ball, a third of them on its surface."""
    rng = np.random.default_rng(seed)
    directions = rng.normal(size=(number, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    radius = np.where(np.arange(number) % 3 == 0, 1.0, rng.random(number) ** (1 / 3))
    return np.asarray(directions * radius[:, None])


def points_of(centre: Vectors, semi_axes: Vectors, rotation: Vectors, ball: Vectors) -> Vectors:
    """Points of the unit ball moved into an ellipsoid."""
    return np.asarray(centre + (ball * semi_axes) @ rotation.T)


def within(points: Vectors, centre: Vectors, semi_axes: Vectors, rotation: Vectors) -> NDArray[np.bool_]:
    """Which points lie inside an ellipsoid, in the coordinates of its axes."""
    return np.asarray(np.linalg.norm((points - centre) @ rotation / semi_axes, axis=1) < 1.0)


def overlapping_pairs(
    centres: Vectors, semi_axes: Vectors, rotations: Vectors, *, points: int = 600
) -> list[tuple[int, int]]:
    """Pairs of N ellipsoids that share one of the tested points of either of the two."""
    ball = points_in_ball(points)
    found = []
    for i, j in itertools.combinations(range(len(centres)), 2):
        if np.linalg.norm(centres[i] - centres[j]) > semi_axes[i].max() + semi_axes[j].max():
            continue
        one, other = (centres[i], semi_axes[i], rotations[i]), (centres[j], semi_axes[j], rotations[j])
        if within(points_of(*one, ball), *other).any() or within(points_of(*other, ball), *one).any():
            found.append((i, j))
    return found
