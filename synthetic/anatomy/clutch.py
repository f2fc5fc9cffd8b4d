"""Eggs in two oviducts and follicles in two ovaries, before they settle against each other, and the ovaries around."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.bodies import Bodies, Kind, Measures, random_rotations
from synthetic.anatomy.species import SpeciesRanges

__all__ = ["draw_eggs", "draw_follicles", "draw_ovaries", "fuse"]

# Shares of abnormal objects. Common practice, no source.
MISSHAPEN = 0.04  # of eggs
FUSED = 0.03  # of clutches, in which two eggs have grown together
ATRETIC = 0.1  # of follicles, which regress
SURROUNDED = 0.75  # of ovaries, whose stroma or the fluid around them differs from other tissue
BARE = 0.3  # of females without follicles, whose ovaries are seen


_OVARY_AHEAD = (0.02, 0.14)  # of the windows, in carapace lengths (common practice, no source)


def draw_eggs(rng: np.random.Generator, profile: SpeciesRanges, kind: Kind, number: int, measures: Measures) -> Bodies:
    """``number`` eggs of similar size.

    A few are misshapen: collapsed, or long and out of round.
    """
    carapace, width, height = measures
    # One female's eggs are of similar size: first her own size is drawn, then each egg's scatter around it.
    length = rng.uniform(*profile.egg_length_mm) * rng.normal(1.0, 0.02, number)
    breadth = rng.uniform(*profile.egg_width_mm) * rng.normal(1.0, 0.015, number)
    length, breadth = np.maximum(length, breadth), np.minimum(length, breadth)
    semi_axes = np.stack([length, breadth, breadth], axis=1) / 2
    misshapen = rng.random(number) < MISSHAPEN
    semi_axes *= np.where(misshapen[:, None], rng.uniform((0.9, 0.9, 0.55), (1.25, 1.0, 0.9), (number, 3)), 1.0)
    side = np.where(rng.permutation(number) % 2 == 0, -1.0, 1.0)
    # From heaps, where settling makes eggs touch, to rows along the whole oviduct.
    crowding = rng.uniform(0.2, 1.0)
    along = crowding * rng.uniform(-0.21, 0.21, number) * carapace
    across = side * (0.2 + crowding * rng.uniform(-0.1, 0.1, number)) * width
    centres = np.stack([across, along, crowding * rng.uniform(-0.2, 0.2, number) * height], axis=1)
    # Oval eggs lie mostly along the oviduct, which runs from head to tail.
    rotations = random_rotations(rng, number, towards=np.array([0.0, 1.0, 0.0]), scatter=0.5)
    return Bodies(np.full(number, kind, dtype=np.int64), centres, semi_axes, rotations)


def draw_follicles(rng: np.random.Generator, profile: SpeciesRanges, number: int, measures: Measures) -> Bodies:
    """``number`` follicles of unequal size.

    A few are atretic: shrunken and out of round.
    """
    carapace, width, height = measures
    low, high = profile.follicle_mm
    # Follicles about to ovulate are large and of similar size. Smaller ones of later cohorts lie between them.
    diameter: NDArray[np.float64] = np.where(
        rng.random(number) < 0.6, high * rng.normal(0.9, 0.06, number), rng.uniform(low, high, number)
    ).clip(low, high)
    side = np.where(rng.permutation(number) % 2 == 0, -1.0, 1.0)
    crowding = rng.uniform(0.3, 1.0)
    scatter = crowding * rng.normal(0.0, (0.05, 0.07, 0.08), (number, 3))
    middle = np.array([0.18, rng.uniform(*_OVARY_AHEAD), 0.1])
    centres = (middle + scatter) * (width, carapace, height)
    centres[:, 0] *= side
    semi_axes = diameter[:, None] / 2 * rng.normal(1.0, 0.04, (number, 3)).clip(0.85, 1.15)
    atretic = rng.random(number) < ATRETIC
    semi_axes *= np.where(atretic[:, None], rng.uniform(0.6, 0.95, (number, 3)), 1.0)
    return Bodies(np.full(number, Kind.FOLLICLE, dtype=np.int64), centres, semi_axes, random_rotations(rng, number))


def draw_ovaries(rng: np.random.Generator, follicles: Bodies, measures: Measures) -> Bodies:
    """The stroma in which settled follicles lie, or the fluid that surrounds them: an ellipsoid on each side.

    In some animals without follicles the bare ovaries can be seen.
    """
    carapace, width, height = measures
    parts = [Bodies.none()]
    for side in (-1.0, 1.0):
        inside = follicles.take(np.sign(follicles.centres[:, 0]) == side)
        if len(inside.kinds):
            centre = inside.centres.mean(axis=0)
            reach = inside.semi_axes.max()
            spread = np.linalg.norm(inside.centres - centre, axis=1).max()
            long = reach + spread * rng.uniform(0.6, 1.1)
            short = np.maximum(reach * rng.uniform(0.9, 1.6), long * rng.uniform(0.4, 0.9, 2))
            is_seen = rng.random() < SURROUNDED
        else:
            centre = np.array([0.18 * side, rng.uniform(*_OVARY_AHEAD), 0.1]) * (width, carapace, height)
            long = carapace * rng.uniform(0.05, 0.14)
            short = long * rng.uniform(0.3, 0.8, 2)
            is_seen = rng.random() < BARE
        if is_seen:
            axes = np.array([[long, *short]])
            rotation = random_rotations(rng, 1, towards=np.array([0.0, 1.0, 0.0]), scatter=0.7)
            parts.append(Bodies(np.array([Kind.OVARY], dtype=np.int64), centre[None], axes, rotation))
    return Bodies.concatenated(*parts)


def fuse(rng: np.random.Generator, settled: Bodies) -> Bodies:
    """The same bodies. In a few clutches the two nearest eggs have grown together, by a seventh of their distance."""
    eggs = np.flatnonzero(settled.kinds >= Kind.THIN_SHELLED)
    if len(eggs) < 2 or rng.random() >= FUSED:
        return settled
    places = settled.centres[eggs]
    apart = np.linalg.norm(places[:, None] - places[None], axis=-1) + np.diag(np.full(len(eggs), np.inf))
    one, other = (eggs[index] for index in np.unravel_index(apart.argmin(), apart.shape))
    centres = settled.centres.copy()
    centres[other] += (centres[one] - centres[other]) / 7
    return replace(settled, centres=centres)
