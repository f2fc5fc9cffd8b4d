"""Ellipsoids packed without overlap: overlapping pairs are pushed apart until none overlaps.

Lengths in mm. The contact test is that of Perram and Wertheim (J Comput Phys 58:409, 1985).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Container", "contact_function", "covariances", "settle"]

Vectors = NDArray[np.float64]

_LAMBDAS = np.linspace(0.1, 0.9, 9)  # values over which the contact function is maximised


@dataclass(frozen=True)
class _SettleSteps:
    """Numbers of the settling, tuned by trial.

    inset : how far centres stay inside the container, in longest semi-axes;  least_room : of the container's semi-axes
    overshoot : how much further than needed a pair steps apart
    gap : distance at which a pair is apart, against touching;  min_contact : floor of the contact value
    """

    inset: float = 0.6
    least_room: float = 0.05
    overshoot: float = 1.4
    gap: float = 1.02
    min_contact: float = 0.04


_SETTLE = _SettleSteps()


@dataclass(frozen=True)
class Container:
    """An ellipsoid along the body's axes that must hold every centre and most of every body.

    centre, semi_axes : (3,) mm
    """

    centre: Vectors
    semi_axes: Vectors


def covariances(semi_axes: Vectors, rotations: Vectors) -> Vectors:
    """(N, 3, 3) matrices R diag(a^2) R' of semi-axes (N, 3) and rotations (N, 3, 3)."""
    return np.asarray(np.einsum("nij,nj,nkj->nik", rotations, semi_axes**2, rotations))


def contact_function(offset: Vectors, first: Vectors, second: Vectors) -> Vectors:
    """(P,) contact function of pairs of ellipsoids: below 1 they overlap, at 1 they touch.

    offset : (P, 3) between centres;  first, second : (P, 3, 3) covariances
    The maximum over lambda is taken over nine values. So a pair that just touches may read as overlapping by a few per
    cent, never the other way round.
    """
    blend = (1 - _LAMBDAS)[None, :, None, None] * first[:, None] + _LAMBDAS[None, :, None, None] * second[:, None]
    solved = np.linalg.solve(blend, np.broadcast_to(offset[:, None, :, None], (*blend.shape[:3], 1)))[..., 0]
    values = _LAMBDAS * (1 - _LAMBDAS) * np.einsum("pi,psi->ps", offset, solved)
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
    """Moves (N, 3) centres until the bodies are apart. Returns them, and which (N,) overlap none of those before them.

    In every round each overlapping pair steps apart along the line between the centres, and every body that sticks
    out of the container steps back. The first ``fixed_count`` bodies stay where they are. Bodies that could not be
    placed are False in the second result: leave them out, or ask for fewer.
    """
    centres = np.array(centres, dtype=np.float64)
    shapes = covariances(semi_axes, rotations)
    reach = semi_axes.max(axis=1)
    room = np.maximum(container.semi_axes - _SETTLE.inset * reach[:, None], _SETTLE.least_room * container.semi_axes)
    free = (np.arange(len(centres)) >= fixed_count).astype(np.float64)
    for _ in range(rounds):
        i, j, value = _overlapping(centres, shapes, reach)
        relative = (centres - container.centre) / room
        outside = np.linalg.norm(relative, axis=1) * free
        if not len(i) and outside.max(initial=0) <= 1.0:
            break
        offset = centres[j] - centres[i]
        # The contact value grows with the square of the distance: this factor brings a pair just apart.
        step = offset * (0.5 * (_SETTLE.gap / np.sqrt(np.maximum(value, _SETTLE.min_contact)) - 1.0))[:, None]
        share = free[j] / np.maximum(free[i] + free[j], 1.0)
        np.add.at(centres, j, _SETTLE.overshoot * step * share[:, None])
        np.add.at(centres, i, -_SETTLE.overshoot * step * (free[i] * (1 - share))[:, None])
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
    """Indices i < j of the pairs that overlap, and their contact values."""
    i, j = np.triu_indices(len(centres), k=1)
    offset = centres[j] - centres[i]
    near = np.linalg.norm(offset, axis=1) < reach[i] + reach[j]
    i, j, offset = i[near], j[near], offset[near]
    value = contact_function(offset, shapes[i], shapes[j])
    overlap = value < 1.0
    return i[overlap], j[overlap], value[overlap]
