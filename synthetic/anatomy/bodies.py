"""What a phantom is made of: ellipsoids and tubes of different kinds, and sets of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple, overload

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from torch import Tensor

__all__ = ["Bodies", "Kind", "Measures", "is_target", "places_among_eggs", "random_rotations"]


class Measures(NamedTuple):
    """Straight measures of an animal's shell, mm."""

    carapace: float
    width: float
    height: float


class Kind(IntEnum):
    """What a body is. Later kinds are drawn over earlier ones. The last three are the targets of a detector."""

    ORGAN = 0
    FLUID = 1
    LIVER = 2
    KIDNEY = 3
    MUSCLE = 4
    FASCIA = 5
    FAT = 6
    VESSEL = 7
    OVIDUCT = 8
    BOWEL = 9
    BLADDER = 10
    OVARY = 11
    CYST = 12
    CORPUS_LUTEUM = 13
    BONE = 14
    GAS = 15
    UROLITH = 16
    FOLLICLE = 17
    THIN_SHELLED = 18
    CALCIFIED = 19


@overload
def is_target(kinds: NDArray[np.int64]) -> NDArray[np.bool_]: ...
@overload
def is_target(kinds: Tensor) -> Tensor: ...
def is_target(kinds: NDArray[np.int64] | Tensor) -> NDArray[np.bool_] | Tensor:
    """Which of these kinds are eggs and follicles."""
    return kinds >= int(Kind.FOLLICLE)


@dataclass(frozen=True)
class Bodies:
    """N ellipsoids or tubes.

    kinds : (N,) int64 of Kind;  centres, semi_axes : (N, 3) mm;  rotations : (N, 3, 3), whose columns are the axes
    half_length : (N,) mm by which a body is drawn out along its first axis, to both sides: 0, the default, for an
    ellipsoid, more for a tube;  bend : (N,) 1/mm, curvature of a tube towards its second axis
    """

    kinds: NDArray[np.int64]
    centres: NDArray[np.float64]
    semi_axes: NDArray[np.float64]
    rotations: NDArray[np.float64]
    half_length: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))
    bend: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))

    def __post_init__(self) -> None:
        object.__setattr__(self, "half_length", np.resize(self.half_length, len(self.kinds)))
        object.__setattr__(self, "bend", np.resize(self.bend, len(self.kinds)))

    @classmethod
    def none(cls) -> Bodies:
        """No body at all."""
        return cls(np.zeros(0, dtype=np.int64), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3, 3)))

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
    """(N, 3, 3) random rotations. With ``towards``, the first axis is this direction plus a normal scatter."""
    first = rng.normal(size=(number, 3))
    if towards is not None:
        first = towards + scatter * first
    second = rng.normal(size=(number, 3))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second -= (second * first).sum(axis=1, keepdims=True) * first
    second /= np.linalg.norm(second, axis=1, keepdims=True)
    return np.stack([first, second, np.cross(first, second)], axis=2)


def places_among_eggs(rng: np.random.Generator, measures: Measures, number: int) -> NDArray[np.float64]:
    """(N, 3) random places where eggs and follicles lie, on both sides: there a look-alike misleads most."""
    shares = rng.normal((0.19, 0.06, 0.05), (0.07, 0.11, 0.12), (number, 3))
    shares[:, 0] *= rng.choice([-1.0, 1.0], number)
    return np.asarray(shares * (measures.width, measures.carapace, measures.height))
