"""A phantom: the body of one invented female in three dimensions, everything in it an ellipsoid.

Body coordinates in mm: x from her left to her right, y from tail to head, z from belly to back, the origin in the
middle between the two prefemoral windows.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from synthetic.errors import PhantomError
from synthetic.packing import Container, covariances, settle
from synthetic.species import SpeciesProfile

__all__ = ["STAGES", "Animal", "Kind", "Order", "draw_animal"]

STAGES = ("follicle", "thin-shelled", "calcified")


class Kind(IntEnum):
    """What an ellipsoid is. Later kinds are drawn over earlier ones; the last three are what is looked for."""

    ORGAN = 0
    FASCIA = 1
    VESSEL = 2
    BLADDER = 3
    BOWEL = 4
    BONE = 5
    GAS = 6
    UROLITH = 7
    FOLLICLE = 8
    THIN_SHELLED = 9
    CALCIFIED = 10

    @property
    def wanted(self) -> bool:
        return self >= Kind.FOLLICLE


@dataclass(frozen=True)
class Order:
    """What an animal is to carry: numbers of each stage."""

    calcified: int = 0
    thin_shelled: int = 0
    follicles: int = 0


@dataclass(frozen=True)
class Animal:
    """species : name;  carapace_mm, width_mm, height_mm : straight measures

    kinds (K,) int64 of Kind; centres (K, 3), semi_axes (K, 3) mm; rotations (K, 3, 3), columns are the axes
    """

    species: str
    carapace_mm: float
    width_mm: float
    height_mm: float
    kinds: NDArray[np.int64]
    centres: NDArray[np.float64]
    semi_axes: NDArray[np.float64]
    rotations: NDArray[np.float64]

    @property
    def shapes(self) -> NDArray[np.float64]:
        """(K, 3, 3) matrices M with (p - c)' M (p - c) = 1 on the surface."""
        return np.asarray(np.linalg.inv(covariances(self.semi_axes, self.rotations)))

    @property
    def wanted(self) -> NDArray[np.int64]:
        """Indices of the follicles and eggs."""
        return np.flatnonzero(self.kinds >= Kind.FOLLICLE)


def draw_animal(rng: np.random.Generator, profile: SpeciesProfile, order: Order) -> Animal:
    """An animal of the species that carries what is ordered, and organs that could be mistaken for it.

    Eggs lie in two oviducts, one on each side, and settle against each other; follicles hang in two clusters before
    and above them. Raises PhantomError if the body cannot hold what is ordered.
    """
    if min(order.calcified, order.thin_shelled, order.follicles) < 0:
        raise PhantomError(f"An animal cannot carry a negative number of anything, got {order}.")
    carapace = float(rng.uniform(*profile.carapace_mm))
    width = carapace * float(rng.uniform(*profile.width_ratio))
    height = carapace * float(rng.uniform(*profile.height_ratio))
    cavity = Container(np.array([0.0, 0.06 * carapace, 0.0]), np.array([0.44 * width, 0.34 * carapace, 0.42 * height]))

    carried = _joined(
        _eggs(rng, profile, Kind.CALCIFIED, order.calcified, carapace, width, height),
        _eggs(rng, profile, Kind.THIN_SHELLED, order.thin_shelled, carapace, width, height),
        _follicles(rng, profile, order.follicles, carapace, width, height),
    )
    number = len(carried[0])
    filled = float(np.prod(carried[2], axis=1).sum() / np.prod(cavity.semi_axes))
    if filled > 0.5:
        raise PhantomError(
            f"{order} would fill {filled:.0%} of a {profile.species} of {carapace:.0f} mm; at most 50 % is possible. "
            "Ask for fewer or for a larger species."
        )
    settled, placed = settle(*carried[1:], cavity)
    if not placed.all():
        raise PhantomError(f"{order} does not fit into a {profile.species} of {carapace:.0f} mm; ask for fewer.")
    # Organs give way to eggs: they are settled around them, and those that find no room are left out.
    kinds, centres, semi_axes, rotations = _joined(
        (carried[0], settled, *carried[2:]), _small_organs(rng, carapace, width, height)
    )
    centres, placed = settle(centres, semi_axes, rotations, cavity, held=number, rounds=120)
    large = _large_organs(rng, carapace, width, height)
    kinds, centres, semi_axes, rotations = _joined(
        large, (kinds[placed], centres[placed], semi_axes[placed], rotations[placed])
    )
    inner = np.argsort(kinds, kind="stable")
    return Animal(
        profile.species,
        carapace,
        width,
        height,
        kinds[inner],
        centres[inner],
        semi_axes[inner],
        rotations[inner],
    )


_Parts = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _joined(*parts: _Parts) -> _Parts:
    kinds, centres, semi_axes, rotations = (np.concatenate(column) for column in zip(*parts, strict=True))
    return kinds, centres, semi_axes, rotations


def _eggs(
    rng: np.random.Generator,
    profile: SpeciesProfile,
    kind: Kind,
    number: int,
    carapace: float,
    width: float,
    height: float,
) -> _Parts:
    # One female's eggs are alike: her own size first, each egg's scatter around it second.
    length = rng.uniform(*profile.egg_length_mm) * rng.normal(1.0, 0.02, number)
    breadth = rng.uniform(*profile.egg_width_mm) * rng.normal(1.0, 0.015, number)
    length, breadth = np.maximum(length, breadth), np.minimum(length, breadth)
    side = np.where(rng.permutation(number) % 2 == 0, -1.0, 1.0)
    along = rng.uniform(-0.22, 0.2, number) * carapace
    centres = np.stack(
        [
            side * rng.uniform(0.1, 0.3, number) * width,
            along,
            rng.uniform(-0.2, 0.2, number) * height,
        ],
        axis=1,
    )
    # Oval eggs lie mostly along the oviduct, which runs from head to tail.
    rotations = _rotations(rng, number, towards=np.array([0.0, 1.0, 0.0]), scatter=0.5)
    return (
        np.full(number, kind, dtype=np.int64),
        centres,
        np.stack([length, breadth, breadth], axis=1) / 2,
        rotations,
    )


def _follicles(
    rng: np.random.Generator,
    profile: SpeciesProfile,
    number: int,
    carapace: float,
    width: float,
    height: float,
) -> _Parts:
    low, high = profile.follicle_mm
    # A cohort about to ovulate is large and alike; smaller ones of later cohorts lie between.
    diameter = np.where(
        rng.random(number) < 0.6,
        high * rng.normal(0.9, 0.06, number),
        rng.uniform(low, high, number),
    ).clip(low, high)
    side = np.where(rng.permutation(number) % 2 == 0, -1.0, 1.0)
    centres = np.stack(
        [
            side * rng.normal(0.18, 0.05, number) * width,
            rng.normal(0.12, 0.07, number) * carapace,
            rng.normal(0.1, 0.08, number) * height,
        ],
        axis=1,
    )
    semi_axes = diameter[:, None] / 2 * rng.normal(1.0, 0.04, (number, 3)).clip(0.85, 1.15)
    return np.full(number, Kind.FOLLICLE, dtype=np.int64), centres, semi_axes, _rotations(rng, number)


def _small_organs(rng: np.random.Generator, carapace: float, width: float, height: float) -> _Parts:
    kinds = [Kind.BLADDER] * int(rng.random() < 0.7)
    kinds += [Kind.VESSEL] * int(rng.integers(2, 7)) + [Kind.BOWEL] * int(rng.integers(1, 5))
    kinds += [Kind.GAS] * int(rng.integers(0, 4)) + [Kind.UROLITH] * int(rng.random() < 0.12)
    sizes = {  # semi-axes as shares of the carapace, lowest and highest for the three axes
        Kind.BLADDER: ((0.07, 0.16), (0.06, 0.14), (0.05, 0.1)),
        Kind.VESSEL: ((0.015, 0.08), (0.01, 0.03), (0.01, 0.03)),
        Kind.BOWEL: ((0.04, 0.14), (0.03, 0.06), (0.03, 0.06)),
        Kind.GAS: ((0.01, 0.05), (0.008, 0.03), (0.006, 0.015)),
        Kind.UROLITH: ((0.02, 0.06), (0.015, 0.05), (0.015, 0.04)),
    }
    ranges = np.array([sizes[kind] for kind in kinds]).reshape(-1, 3, 2)
    semi_axes = carapace * rng.uniform(ranges[..., 0], ranges[..., 1])
    spread = np.array([0.3 * width, 0.2 * carapace, 0.2 * height])
    centres = rng.uniform(-1, 1, (len(kinds), 3)) * spread
    return np.array(kinds, dtype=np.int64), centres, semi_axes, _rotations(rng, len(kinds))


def _large_organs(rng: np.random.Generator, carapace: float, width: float, height: float) -> _Parts:
    """What lies behind and between: it may be overlapped by anything."""
    kinds = [Kind.ORGAN] * int(rng.integers(4, 10)) + [Kind.FASCIA] * int(rng.integers(2, 8))
    kinds += [Kind.BONE] * int(rng.integers(1, 4))
    sizes = {
        Kind.ORGAN: ((0.08, 0.25), (0.06, 0.2), (0.05, 0.15)),
        Kind.FASCIA: ((0.12, 0.35), (0.1, 0.3), (0.006, 0.03)),
        Kind.BONE: ((0.05, 0.16), (0.012, 0.04), (0.012, 0.03)),
    }
    ranges = np.array([sizes[kind] for kind in kinds]).reshape(-1, 3, 2)
    semi_axes = carapace * rng.uniform(ranges[..., 0], ranges[..., 1])
    centres = rng.uniform(-1, 1, (len(kinds), 3)) * np.array([0.4 * width, 0.3 * carapace, 0.35 * height])
    bones = np.array(kinds) == Kind.BONE
    # The pelvis and the rim of the shell lie at the edges, out of the way of the sweep's middle.
    centres[bones] = np.sign(centres[bones]) * np.array([0.4 * width, 0.3 * carapace, 0.3 * height])
    rotations = _rotations(rng, len(kinds))
    # The lungs lie under the back, from side to side: from below they end the picture like a curtain.
    lungs = np.array([[0.32 * width, 0.28 * carapace, 0.12 * height]]) * rng.uniform(0.7, 1.2, (1, 3))
    return (
        np.array([*kinds, Kind.GAS], dtype=np.int64),
        np.concatenate([centres, [[0.0, 0.15 * carapace, 0.45 * height]]]),
        np.concatenate([semi_axes, lungs]),
        np.concatenate([rotations, np.eye(3)[None]]),
    )


def _rotations(
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
