"""Vessels, gut loops and empty oviducts: tubes, round where a plane cuts them across and drawn out along.

Radii and shares are common practice, no source, unless a source is named.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.bodies import Bodies, Kind, Measures, places_among_eggs, random_rotations

__all__ = ["draw_guts", "draw_oviducts", "draw_vessels", "tubes_between"]

MAX_SLOPE = 0.9  # of a tube's ends against its middle: a steeper one would look flat, see acoustics.squared_radius

# Shares of what is drawn; the rest lacks it.
PAIRED = 0.35  # vessels that run beside a second one, like an artery and its vein
GASSY = 0.35  # guts with gas in one of their limbs
WITH_OVIDUCTS = 0.45  # animals whose empty oviducts are large enough to be seen

Vectors = NDArray[np.float64]


def tubes_between(
    rng: np.random.Generator, kind: Kind, points: Vectors, radius: Vectors, slope: Vectors, *, flatness: float = 1.0
) -> Bodies:
    """M tubes, one from each of (M + 1, 3) points to the next, bent to a random side.

    radius : (M,) mm;  slope : (M,) of their ends against their middles;  flatness : third semi-axis over the radius
    """
    reach = np.diff(points, axis=0)
    half_length = np.linalg.norm(reach, axis=1) / 2
    rotations = random_rotations(rng, len(reach), towards=reach)
    # The middle lies beside the chord, so that both ends lie on the points.
    centres = (points[:-1] + points[1:]) / 2 - (0.5 * slope * half_length)[:, None] * rotations[:, :, 1]
    semi_axes = radius[:, None] * np.array([1.0, 1.0, flatness])
    kinds = np.full(len(reach), kind, dtype=np.int64)
    return Bodies(kinds, centres, semi_axes, rotations, half_length, slope / half_length)


def draw_vessels(rng: np.random.Generator, measures: Measures) -> Bodies:
    """Long thin vessels; some run in pairs."""
    carapace = measures.carapace
    parts = []
    for middle in places_among_eggs(rng, measures, int(rng.integers(1, 6))):
        radius = float(np.exp(rng.uniform(np.log(1.0), np.log(0.028 * carapace))))
        half_length = rng.uniform(0.12, 0.3) * carapace
        direction = random_rotations(rng, 1)[0, :, 0]
        points = middle + half_length * np.outer((-1.0, 1.0), direction)
        slope = rng.uniform(0, MAX_SLOPE, 1)
        vessel = tubes_between(
            rng, Kind.VESSEL, points, np.array([radius]), slope, flatness=float(rng.uniform(0.65, 1.0))
        )
        parts.append(vessel)
        if rng.random() < PAIRED:
            parts.append(_beside(rng, vessel))
    return Bodies.concatenated(*parts)


def _beside(rng: np.random.Generator, vessel: Bodies) -> Bodies:
    """A vessel of another size that runs along the given one."""
    size = float(rng.uniform(0.4, 1.0))
    apart = vessel.semi_axes[0, 1] * (1 + size) * rng.uniform(1.05, 1.5)
    turn = rng.uniform(0, 2 * np.pi)
    aside = np.cos(turn) * vessel.rotations[:, :, 1] + np.sin(turn) * vessel.rotations[:, :, 2]
    return Bodies(
        vessel.kinds,
        vessel.centres + apart * aside,
        size * vessel.semi_axes,
        vessel.rotations,
        vessel.half_length,
        vessel.bend,
    )


def draw_guts(rng: np.random.Generator, measures: Measures) -> Bodies:
    """Loops of gut, thick and folded, some with gas."""
    parts = []
    for middle in places_among_eggs(rng, measures, int(rng.integers(1, 3))):
        radius = rng.uniform(3.0, max(4.0, 0.055 * measures.carapace))
        points = _folds(rng, middle, radius, int(rng.integers(1, 4)), rng.uniform(2.5, 6.0))
        number = len(points) - 1
        gut = tubes_between(
            rng, Kind.BOWEL, points, radius * rng.uniform(0.8, 1.15, number), rng.uniform(0, MAX_SLOPE, number)
        )
        parts.append(gut)
        if rng.random() < GASSY:
            parts.append(_gas_in(rng, gut.take(rng.integers(number, size=1))))
    return Bodies.concatenated(*parts)


def draw_oviducts(rng: np.random.Generator, measures: Measures) -> Bodies:
    """Empty oviducts, folded, one on each side; in most animals they are too thin to be seen."""
    carapace, width, height = measures
    parts = []
    for side in (-1.0, 1.0) if rng.random() < WITH_OVIDUCTS else ():
        radius = rng.uniform(2.0, max(2.5, 0.03 * carapace))
        middle = np.array([side * 0.22 * width, rng.uniform(-0.15, 0.1) * carapace, rng.uniform(-0.15, 0.15) * height])
        points = _folds(rng, middle, radius, int(rng.integers(2, 6)), rng.uniform(3.0, 8.0))
        number = len(points) - 1
        parts.append(
            tubes_between(
                rng, Kind.OVIDUCT, points, radius * rng.uniform(0.8, 1.2, number), rng.uniform(0, MAX_SLOPE, number)
            )
        )
    return Bodies.concatenated(Bodies.none(), *parts)


def _folds(rng: np.random.Generator, middle: Vectors, radius: float, limbs: int, length: float) -> Vectors:
    """(limbs + 1, 3) the points between the limbs of a tube that is folded to and fro. length : of a limb, in radii"""
    forth, on, _ = random_rotations(rng, 1)[0].T
    step = np.arange(limbs + 1) - limbs / 2
    to_and_fro = np.where(np.arange(limbs + 1) % 2 == 0, -0.5, 0.5) * length * radius
    points = to_and_fro[:, None] * forth + (step * radius * rng.uniform(1.6, 2.4))[:, None] * on
    return np.asarray(middle + points + 0.35 * radius * rng.normal(size=(limbs + 1, 3)))


def _gas_in(rng: np.random.Generator, limb: Bodies) -> Bodies:
    """A stretch of gas inside a limb of gut, under the wall that is nearer to the back."""
    size, share = rng.uniform(0.25, 0.55), rng.uniform(0.2, 0.8)
    up = np.array([0.0, 0.0, 1.0]) - limb.rotations[:, 2, 0, None] * limb.rotations[:, :, 0]
    centres = limb.centres + (0.85 - size) * limb.semi_axes[:, 1:2] * up
    kinds = np.array([Kind.GAS], dtype=np.int64)
    return Bodies(kinds, centres, size * limb.semi_axes, limb.rotations, share * limb.half_length, limb.bend)
