"""A phantom: the body of one invented female in three dimensions, everything in it an ellipsoid.

Body coordinates in mm: x from her left to her right, y from tail to head, z from belly to back, the origin in the
middle between the two prefemoral windows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.bodies import Bodies, Kind, is_target
from synthetic.anatomy.clutch import draw_eggs, draw_follicles, fuse
from synthetic.anatomy.organs import draw_large_organs, draw_small_organs
from synthetic.anatomy.packing import Container, covariances, settle
from synthetic.anatomy.species import SpeciesRanges
from synthetic.errors import PhantomError

__all__ = ["STAGES", "Animal", "StageCounts", "draw_animal"]

STAGES = ("follicle", "thin-shelled", "calcified")


@dataclass(frozen=True)
class StageCounts:
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
    def target_indices(self) -> NDArray[np.int64]:
        """Indices of the follicles and eggs."""
        return np.flatnonzero(is_target(self.kinds))


def draw_animal(rng: np.random.Generator, profile: SpeciesRanges, order: StageCounts) -> Animal:
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

    measures = carapace, width, height
    carried = Bodies.concatenated(
        draw_eggs(rng, profile, Kind.CALCIFIED, order.calcified, measures),
        draw_eggs(rng, profile, Kind.THIN_SHELLED, order.thin_shelled, measures),
        draw_follicles(rng, profile, order.follicles, measures),
    )
    filled = float(np.prod(carried.semi_axes, axis=1).sum() / np.prod(cavity.semi_axes))
    if filled > 0.5:
        raise PhantomError(
            f"{order} would fill {filled:.0%} of a {profile.species} of {carapace:.0f} mm; at most 50 % is possible. "
            "Ask for fewer or for a larger species."
        )
    centres, placed = settle(carried.centres, carried.semi_axes, carried.rotations, cavity)
    if not placed.all():
        raise PhantomError(f"{order} does not fit into a {profile.species} of {carapace:.0f} mm; ask for fewer.")
    # Organs give way to eggs: they are settled around them, and those that find no room are left out.
    inner = Bodies.concatenated(replace(carried, centres=centres), draw_small_organs(rng, measures))
    centres, placed = settle(
        inner.centres, inner.semi_axes, inner.rotations, cavity, fixed_count=len(carried.kinds), rounds=120
    )
    inner = fuse(rng, replace(inner, centres=centres).take(placed))
    everything = Bodies.concatenated(draw_large_organs(rng, measures), inner)
    everything = everything.take(np.argsort(everything.kinds, kind="stable"))
    return Animal(profile.species, carapace, width, height, **vars(everything))
