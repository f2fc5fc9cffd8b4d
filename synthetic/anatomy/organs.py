"""The bodies of an animal that are neither eggs nor follicles. Many of them could be mistaken for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.bodies import Bodies, Kind, Measures, places_among_eggs, random_rotations
from synthetic.anatomy.tubes import draw_guts, draw_oviducts, draw_vessels

__all__ = ["draw_large_organs", "draw_small_organs"]

# Semi-axes as shares of the carapace: lowest and highest for each of three axes. Common practice, no source.
_SIZES = {
    Kind.ORGAN: ((0.04, 0.25), (0.03, 0.2), (0.03, 0.15)),
    Kind.FLUID: ((0.05, 0.2), (0.04, 0.15), (0.015, 0.08)),
    Kind.LIVER: ((0.2, 0.4), (0.15, 0.3), (0.08, 0.15)),
    Kind.KIDNEY: ((0.08, 0.13), (0.04, 0.07), (0.03, 0.05)),
    Kind.MUSCLE: ((0.12, 0.25), (0.02, 0.05), (0.015, 0.04)),
    Kind.FASCIA: ((0.12, 0.35), (0.1, 0.3), (0.006, 0.03)),
    Kind.VESSEL: ((0.015, 0.08), (0.01, 0.03), (0.01, 0.03)),
    Kind.BLADDER: ((0.07, 0.16), (0.06, 0.14), (0.05, 0.1)),
    Kind.BOWEL: ((0.04, 0.14), (0.03, 0.06), (0.03, 0.06)),
    Kind.BONE: ((0.05, 0.16), (0.012, 0.04), (0.012, 0.03)),
    Kind.GAS: ((0.01, 0.05), (0.008, 0.03), (0.006, 0.015)),
    Kind.UROLITH: ((0.02, 0.06), (0.015, 0.05), (0.015, 0.04)),
}

# Diameters. Common practice, no source.
CORPUS_LUTEUM_MM = (4.0, 8.0)
CYST_MM = (4.0, 20.0)
LOBULE_MM = (2.0, 7.0)  # semi-axes of a lobule of fat or lymphatic tissue; common practice, no source

Vectors = NDArray[np.float64]

_UPRIGHT = np.eye(3)[None]  # the rotation of bodies along the body's axes


def draw_small_organs(rng: np.random.Generator, measures: Measures) -> Bodies:
    """Bladder, cysts, corpora lutea, gas, stones, blind ends of vessels and guts. They are moved aside by eggs."""
    carapace, width, height = measures
    kinds = [Kind.BLADDER] * int(rng.random() < 0.7)
    kinds += [Kind.VESSEL] * int(rng.integers(0, 3)) + [Kind.BOWEL] * int(rng.integers(0, 2))
    kinds += [Kind.GAS] * int(rng.integers(0, 4)) + [Kind.UROLITH] * int(rng.random() < 0.12)
    reach = np.array([0.3 * width, 0.2 * carapace, 0.2 * height])
    scattered = _scattered(rng, kinds, carapace, rng.uniform(-1, 1, (len(kinds), 3)) * reach)
    cysts = _balls(rng, Kind.CYST, CYST_MM, places_among_eggs(rng, measures, int(rng.integers(0, 4))))
    # What ovulated follicles leave behind; in half of the animals none are left.
    number = int(rng.integers(1, 7)) if rng.random() < 0.5 else 0
    corpora_lutea = _balls(rng, Kind.CORPUS_LUTEUM, CORPUS_LUTEUM_MM, places_among_eggs(rng, measures, number))
    return Bodies.concatenated(scattered, cysts, corpora_lutea)


def draw_large_organs(rng: np.random.Generator, measures: Measures) -> Bodies:
    """Large organs and long ones, behind and between the others. Anything may overlap them."""
    carapace, width, height = measures
    kinds = [Kind.ORGAN] * int(rng.integers(3, 9)) + [Kind.FASCIA] * int(rng.integers(1, 6))
    kinds += [Kind.FLUID] * int(rng.integers(0, 4))
    anywhere = rng.uniform(-1, 1, (len(kinds), 3)) * np.array([0.4 * width, 0.3 * carapace, 0.35 * height])
    parts = [_scattered(rng, kinds, carapace, anywhere)]

    def add(kind: Kind, *shares: tuple[float, float, float]) -> None:
        centres = np.array(shares) * np.array([width, carapace, height])
        parts.append(_scattered(rng, [kind] * len(shares), carapace, centres))

    add(Kind.LIVER, (rng.uniform(-0.2, 0.2), rng.uniform(0.2, 0.35), rng.uniform(-0.15, 0.05)))
    # The kidneys lie under the back towards the tail, one on each side.
    add(Kind.KIDNEY, *((side * 0.15, rng.uniform(-0.25, -0.1), rng.uniform(0.15, 0.3)) for side in (-1, 1)))
    # The rim of the shell and the pelvis lie at the edges, away from the middle of the sweep.
    for _ in range(int(rng.integers(1, 4))):
        corner = rng.choice([-1.0, 1.0], 3)
        add(Kind.BONE, (0.4 * corner[0], 0.3 * corner[1], 0.3 * corner[2]))
    for _ in range(int(rng.integers(0, 4))):
        parts.append(_muscle(rng, measures))
    parts += [_lobules(rng, middle) for middle in places_among_eggs(rng, measures, int(rng.integers(0, 4)))]
    parts += [draw_vessels(rng, measures), draw_guts(rng, measures), draw_oviducts(rng, measures)]
    parts += [_hip(rng, measures, side) for side in (-1.0, 1.0)]
    if rng.random() < 0.25:
        parts += [_bony_row(rng, measures, side) for side in (-1.0, 1.0)]
    # The lungs lie under the back, from side to side. Seen from below, nothing shows behind them.
    lungs = np.array([[0.32 * width, 0.28 * carapace, 0.12 * height]]) * rng.uniform(0.7, 1.2, (1, 3))
    parts.append(
        Bodies(np.array([Kind.GAS], dtype=np.int64), np.array([[0.0, 0.15 * carapace, 0.45 * height]]), lungs, _UPRIGHT)
    )
    return Bodies.concatenated(*parts)


def _scattered(rng: np.random.Generator, kinds: list[Kind], carapace: float, centres: Vectors) -> Bodies:
    ranges = np.array([_SIZES[kind] for kind in kinds], dtype=np.float64).reshape(-1, 3, 2)
    semi_axes = carapace * rng.uniform(ranges[..., 0], ranges[..., 1])
    return Bodies(np.array(kinds, dtype=np.int64), centres, semi_axes, random_rotations(rng, len(kinds)))


def _balls(rng: np.random.Generator, kind: Kind, diameter_mm: tuple[float, float], centres: Vectors) -> Bodies:
    """Bodies that are nearly round, of unequal size."""
    number = len(centres)
    semi_axes = rng.uniform(*diameter_mm, (number, 1)) / 2 * rng.uniform(0.8, 1.1, (number, 3))
    return Bodies(np.full(number, kind, dtype=np.int64), centres, semi_axes, random_rotations(rng, number))


def _muscle(rng: np.random.Generator, measures: Measures) -> Bodies:
    """The long belly of a muscle, under the wall of the body or anywhere."""
    carapace, width, height = measures
    side = float(rng.choice([-1.0, 1.0]))
    place = np.array([side * rng.uniform(0.1, 0.42), rng.uniform(-0.3, 0.3), rng.uniform(-0.3, 0.3)])
    belly = _scattered(rng, [Kind.MUSCLE], carapace, (place * np.array([width, carapace, height]))[None])
    # A spindle that may be bent: drawn out by up to its own length.
    half_length = belly.semi_axes[:, 0] * rng.uniform(0.05, 0.6)
    return replace(belly, half_length=half_length, bend=rng.uniform(0, 0.5) / belly.semi_axes[:, 0])


def _lobules(rng: np.random.Generator, middle: Vectors) -> Bodies:
    """A lump of fat or lymphatic tissue: lobules of unequal size that grow into each other."""
    number = int(rng.integers(3, 7))
    semi_axes = rng.uniform(*LOBULE_MM) * rng.uniform(0.4, 1.3, (number, 1)) * rng.uniform(0.6, 1.5, (number, 3))
    centres = middle + 0.9 * semi_axes.mean() * rng.normal(size=(number, 3))
    kinds = np.full(number, Kind.FAT, dtype=np.int64)
    return Bodies(kinds, centres, semi_axes, random_rotations(rng, number))


def _hip(rng: np.random.Generator, measures: Measures, side: float) -> Bodies:
    """The head of the thigh bone and, across the joint space, its socket, at the tail end of a window."""
    carapace, width, height = measures
    radius = carapace * rng.uniform(0.02, 0.035)
    head = np.array([side * 0.36 * width, -rng.uniform(0.24, 0.3) * carapace, rng.uniform(-0.15, 0.1) * height])
    socket = head - np.array([side * radius * rng.uniform(1.7, 2.2), 0.0, 0.0])
    semi_axes = np.array([[radius] * 3, [0.5 * radius, 1.6 * radius, 1.6 * radius]])
    return Bodies(
        np.full(2, Kind.BONE, dtype=np.int64), np.stack([head, socket]), semi_axes, np.repeat(_UPRIGHT, 2, axis=0)
    )


def _bony_row(rng: np.random.Generator, measures: Measures, side: float) -> Bodies:
    """Rounded bones in a row under the skin next to a window, seen where the probe slips onto the edge of the shell.

    They show as bright arcs with clean shadows, side by side.
    """
    carapace, width, height = measures
    number = int(rng.integers(3, 6))
    thickness = carapace * rng.uniform(0.015, 0.035)
    step = thickness * rng.uniform(2.5, 5.0)
    centres = np.zeros((number, 3))
    centres[:, 0] = side * (0.45 * width - thickness - rng.uniform(2, 12))
    centres[:, 1] = rng.uniform(-0.1, 0.2) * carapace
    centres[:, 2] = (np.arange(number) - (number - 1) / 2) * step + rng.uniform(-0.1, 0.1) * height
    semi_axes = thickness * rng.uniform((3.0, 0.5, 0.7), (6.0, 1.0, 1.3), (number, 3))
    rotations = random_rotations(rng, number, towards=np.array([0.0, 1.0, 0.0]), scatter=0.15)
    return Bodies(np.full(number, Kind.BONE, dtype=np.int64), centres, semi_axes, rotations)
