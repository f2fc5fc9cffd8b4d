"""What a phantom is made of: kinds of ellipsoids, and sets of them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bodies", "Kind", "random_rotations"]


class Kind(IntEnum):
    """What an ellipsoid is. Later kinds are drawn over earlier ones; the last three are what is looked for."""

    ORGAN = 0
    FLUID = 1
    LIVER = 2
    KIDNEY = 3
    FASCIA = 4
    VESSEL = 5
    BLADDER = 6
    BOWEL = 7
    BONE = 8
    GAS = 9
    UROLITH = 10
    FOLLICLE = 11
    THIN_SHELLED = 12
    CALCIFIED = 13

    @property
    def is_target(self) -> bool:
        return self >= Kind.FOLLICLE


@dataclass(frozen=True)
class Bodies:
    """N ellipsoids: kinds (N,) int64 of Kind; centres (N, 3), semi_axes (N, 3) mm; rotations (N, 3, 3), columns are
    the axes.
    """

    kinds: NDArray[np.int64]
    centres: NDArray[np.float64]
    semi_axes: NDArray[np.float64]
    rotations: NDArray[np.float64]

    @classmethod
    def concatenated(cls, *parts: Bodies) -> Bodies:
        return cls(*(np.concatenate([vars(part)[name] for part in parts]) for name in vars(parts[0])))

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Bodies:
        return Bodies(*(value[index] for value in vars(self).values()))


def random_rotations(
    rng: np.random.Generator,
    number: int,
    *,
    towards: NDArray[np.float64] | None = None,
    scatter: float = 0.0,
) -> NDArray[np.float64]:
    """(N, 3, 3) random rotations; with ``towards``, the first axis is that direction plus a normal scatter."""
    first = rng.normal(size=(number, 3))
    if towards is not None:
        first = towards + scatter * first
    second = rng.normal(size=(number, 3))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second -= (second * first).sum(axis=1, keepdims=True) * first
    second /= np.linalg.norm(second, axis=1, keepdims=True)
    return np.stack([first, second, np.cross(first, second)], axis=2)
