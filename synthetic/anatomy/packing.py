"""Ellipsoids packed without overlap: shaken apart until no two touch more than they may.

Lengths in mm. The test of contact is that of Perram and Wertheim (J Comput Phys 58:409, 1985).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Container", "contact_function", "covariances", "settle"]

Vectors = NDArray[np.float64]

_STEPS = np.linspace(0.1, 0.9, 9)


@dataclass(frozen=True)
class Container:
    """An ellipsoid along the body's axes that must hold every centre and most of every body.

    centre (3,), semi_axes (3,), mm
    """

    centre: Vectors
    semi_axes: Vectors


def covariances(semi_axes: Vectors, rotations: Vectors) -> Vectors:
    """(N, 3, 3) R diag(a^2) R' of semi-axes (N, 3) and rotations (N, 3, 3)."""
    return np.asarray(np.einsum("nij,nj,nkj->nik", rotations, semi_axes**2, rotations))


def contact_function(offset: Vectors, first: Vectors, second: Vectors) -> Vectors:
    """(P,) contact function of pairs of ellipsoids: below 1 they overlap, at 1 they touch.

    offset (P, 3) between centres; first, second (P, 3, 3) covariances. The maximum over lambda is taken on nine
    values, so a pair that just touches may read as overlapping by a few per cent, never the other way round.
    """
    blend = (1 - _STEPS)[None, :, None, None] * first[:, None] + _STEPS[None, :, None, None] * second[:, None]
    solved = np.linalg.solve(blend, np.broadcast_to(offset[:, None, :, None], (*blend.shape[:3], 1)))[..., 0]
    values = _STEPS * (1 - _STEPS) * np.einsum("pi,psi->ps", offset, solved)
    return np.asarray(values.max(axis=1))


def settle(
    centres: Vectors,
    semi_axes: Vectors,
    rotations: Vectors,
    container: Container,
    *,
    fixed_count: int = 0,
    rounds: int = 400,
) -> tuple[Vectors, NDArray[np.bool_]]:
    """Move (N, 3) centres until the bodies are apart; returns them and which (N,) overlap nothing before them.

    In every round each overlapping pair steps apart along the line between the centres, and every body that sticks
    out of the container steps back; the first ``fixed_count`` bodies stay where they are. What cannot be placed gets
    False: drop it, or ask for less.
    """
    centres = np.array(centres, dtype=np.float64)
    shapes = covariances(semi_axes, rotations)
    reach = semi_axes.max(axis=1)
    room = np.maximum(container.semi_axes - 0.6 * reach[:, None], 0.05 * container.semi_axes)
    free = (np.arange(len(centres)) >= fixed_count).astype(np.float64)
    for _ in range(rounds):
        i, j, value = _overlapping(centres, shapes, reach)
        relative = (centres - container.centre) / room
        outside = np.linalg.norm(relative, axis=1) * free
        if not len(i) and outside.max(initial=0) <= 1.0:
            break
        offset = centres[j] - centres[i]
        # Contact grows with the square of the distance: this factor brings a pair just apart.
        step = offset * (0.5 * (1.02 / np.sqrt(np.maximum(value, 0.04)) - 1.0))[:, None]
        share = free[j] / np.maximum(free[i] + free[j], 1.0)
        np.add.at(centres, j, 1.4 * step * share[:, None])
        np.add.at(centres, i, -1.4 * step * (free[i] * (1 - share))[:, None])
        relative = (centres - container.centre) / room
        outside = np.linalg.norm(relative, axis=1) * free
        far = outside > 1.0
        centres[far] = container.centre + room[far] * relative[far] / outside[far, None]
    placed = np.ones(len(centres), dtype=bool)
    i, j, _ = _overlapping(centres, shapes, reach)
    for first, second in sorted(zip(i.tolist(), j.tolist(), strict=True), key=lambda pair: pair[1]):
        if placed[first]:
            placed[second] = False
    return centres, placed


def _overlapping(
    centres: Vectors, shapes: Vectors, reach: Vectors
) -> tuple[NDArray[np.int64], NDArray[np.int64], Vectors]:
    i, j = np.triu_indices(len(centres), k=1)
    offset = centres[j] - centres[i]
    near = np.linalg.norm(offset, axis=1) < reach[i] + reach[j]
    i, j, offset = i[near], j[near], offset[near]
    value = contact_function(offset, shapes[i], shapes[j])
    bad = value < 1.0
    return i[bad], j[bad], value[bad]
