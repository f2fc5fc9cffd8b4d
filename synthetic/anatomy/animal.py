"""A phantom: the body of a synthetic female in three dimensions, made of ellipsoids and tubes.

Body coordinates in mm: x from her left to her right, y from tail to head, z from belly to back. The origin is the
midpoint between the two prefemoral windows.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.bodies import Bodies, Kind, Measures, is_target
from synthetic.anatomy.clutch import draw_eggs, draw_follicles, draw_ovaries, fuse
from synthetic.anatomy.organs import draw_large_organs, draw_small_organs
from synthetic.anatomy.packing import Container, covariances, settle
from synthetic.anatomy.species import SpeciesRanges
from synthetic.errors import PhantomError

__all__ = ["Animal", "StageCounts", "draw_animal"]

MAX_FILLING = 0.5  # share of the cavity that eggs and follicles may fill: more cannot be packed
_ORGAN_ROUNDS = 120  # organs that find no room are left out, so they are settled for less long than eggs


@dataclass(frozen=True)
class _Cavity:
    """The body cavity, as shares of the body's measures. Common practice, no source.

    ahead : of its middle, in carapace lengths;  width, length, height : semi-axes
    """

    ahead: float = 0.06
    width: float = 0.44
    length: float = 0.34
    height: float = 0.42

    def container(self, measures: Measures) -> Container:
        carapace, width, height = measures
        semi_axes = np.array([self.width * width, self.length * carapace, self.height * height])
        return Container(np.array([0.0, self.ahead * carapace, 0.0]), semi_axes)


_CAVITY = _Cavity()


@dataclass(frozen=True)
class StageCounts:
    """How many objects of each stage an animal carries."""

    calcified: int = 0
    thin_shelled: int = 0
    follicles: int = 0


@dataclass(frozen=True)
class Animal:
    """One animal and its K bodies, in drawing order.

    species : name;  carapace_mm, width_mm, height_mm : straight measures of the shell
    kinds : (K,) int64 of Kind;  centres, semi_axes : (K, 3) mm;  rotations : (K, 3, 3), whose columns are the axes
    half_length, bend : (K,) as in Bodies; eggs and follicles are never tubes
    """

    species: str
    carapace_mm: float
    width_mm: float
    height_mm: float
    kinds: NDArray[np.int64]
    centres: NDArray[np.float64]
    semi_axes: NDArray[np.float64]
    rotations: NDArray[np.float64]
    half_length: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))
    bend: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))

    def __post_init__(self) -> None:
        object.__setattr__(self, "half_length", np.resize(self.half_length, len(self.kinds)))
        object.__setattr__(self, "bend", np.resize(self.bend, len(self.kinds)))

    @property
    def shapes(self) -> NDArray[np.float64]:
        """(K, 3, 3) matrices M with (p - c)' M (p - c) = 1 on the surface of the ellipsoids."""
        return np.asarray(np.linalg.inv(covariances(self.semi_axes, self.rotations)))

    @property
    def target_indices(self) -> NDArray[np.int64]:
        """Indices of the follicles and eggs."""
        return np.flatnonzero(is_target(self.kinds))


def draw_animal(rng: np.random.Generator, profile: SpeciesRanges, counts: StageCounts) -> Animal:
    """An animal of the species that carries these numbers of objects, and organs that could be mistaken for them.

    Eggs lie in two oviducts, one on each side, and settle against each other. Follicles hang in two ovaries in front
    of them and above. Raises PhantomError if the body cannot hold that many.
    """
    if min(counts.calcified, counts.thin_shelled, counts.follicles) < 0:
        raise PhantomError(f"The numbers of eggs and follicles must not be negative, got {counts}.")
    carapace = float(rng.uniform(*profile.carapace_mm))
    width = carapace * float(rng.uniform(*profile.width_ratio))
    height = carapace * float(rng.uniform(*profile.height_ratio))
    measures = Measures(carapace, width, height)
    cavity = _CAVITY.container(measures)
    carried = Bodies.concatenated(
        draw_eggs(rng, profile, Kind.CALCIFIED, counts.calcified, measures),
        draw_eggs(rng, profile, Kind.THIN_SHELLED, counts.thin_shelled, measures),
        draw_follicles(rng, profile, counts.follicles, measures),
    )
    filled = float(np.prod(carried.semi_axes, axis=1).sum() / np.prod(cavity.semi_axes))
    if filled > MAX_FILLING:
        raise PhantomError(
            f"{counts} would fill {filled:.0%} of a {profile.species} of {carapace:.0f} mm; at most "
            f"{100 * MAX_FILLING:.0f} % is possible. Ask for fewer or for a larger species."
        )
    centres, placed = settle(carried.centres, carried.semi_axes, carried.rotations, cavity)
    if not placed.all():
        raise PhantomError(f"{counts} does not fit into a {profile.species} of {carapace:.0f} mm; ask for fewer.")
    # Organs make room for eggs: they are settled around the eggs, and those that find no room are left out.
    inner = Bodies.concatenated(replace(carried, centres=centres), draw_small_organs(rng, measures))
    centres, placed = settle(
        inner.centres, inner.semi_axes, inner.rotations, cavity, fixed_count=len(carried.kinds), rounds=_ORGAN_ROUNDS
    )
    inner = fuse(rng, replace(inner, centres=centres).take(placed))
    ovaries = draw_ovaries(rng, inner.take(inner.kinds == Kind.FOLLICLE), measures)
    everything = Bodies.concatenated(draw_large_organs(rng, measures), inner, ovaries)
    everything = everything.take(np.argsort(everything.kinds, kind="stable"))
    return Animal(profile.species, carapace, width, height, **vars(everything))
