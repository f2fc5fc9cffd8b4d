"""Models of speckle, shadow and artefacts, with one of which a phantom is rendered.

Two have names. Training draws others, so that a network learns what is the same in all of them. All numbers are
judgement, without a source, except those of the first model and where a formula is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from synthetic.acoustics.tissue import TISSUE, TissueModel

__all__ = ["PHYSICS", "RESOLUTION_CELLS", "SCATTERERS", "Physics", "PhysicsName", "draw_physics"]

PhysicsName = Literal["scatterers", "resolution-cells"]


@dataclass(frozen=True)
class Physics:
    """tissue : what makes the speckle

    follows_depth : whether receive focusing follows the depth, so that resolution cells grow with it; otherwise there
    is one focus
    shadow_spread : by how much the edge of a shadow softens down to the bottom of the picture, as a share of the
    standard deviation of the aperture, since its elements see past the edge; 0 for each beam by itself
    refill : amplitude of the upper half of the picture that comes again at twice its depth, also into shadows, as a
    share of the console's reverberation
    wall_repeats : amplitude of the echo that a strong wall leaves behind itself, again and again, each time by this
    share weaker;  wall_repeat_mm : distance between them
    side_lobes : amplitude of what strong echoes spread to the beams beside them, also into clear fluid
    """

    tissue: TissueModel
    follows_depth: bool = False
    shadow_spread: float = 0.0
    refill: float = 0.0
    wall_repeats: float = 0.0
    wall_repeat_mm: float = 4.0
    side_lobes: float = 0.0


SCATTERERS = Physics(TISSUE)
RESOLUTION_CELLS = Physics(
    TissueModel(
        scatterer_spacing_mm=0.3,
        unevenness_spacing_mm=8.0,
        layer_spacing_mm=(1.2, 12.0, 10.0),
        layer_bend_mm=4.0,
        cluster_shape=1.5,
        cluster_spacing_mm=0.9,
    ),
    follows_depth=True,
    shadow_spread=0.6,
    refill=0.05,
    wall_repeats=0.25,
    wall_repeat_mm=5.0,
    side_lobes=0.012,
)

_LACKING_SHARE = 0.5  # of drawn models that lack one feature or another


def draw_physics(rng: np.random.Generator) -> Physics:
    """A model anywhere between the named ones, and beyond them."""

    def sometimes(low: float, high: float) -> float:
        return float(rng.uniform(low, high) * (rng.random() >= _LACKING_SHARE))

    tissue = TissueModel(
        scatterer_spacing_mm=float(rng.uniform(0.22, 0.34)),
        unevenness_spacing_mm=float(np.exp(rng.uniform(np.log(3.0), np.log(12.0)))),
        layer_spacing_mm=(float(rng.uniform(0.5, 1.6)), float(rng.uniform(5.0, 16.0)), float(rng.uniform(5.0, 14.0))),
        layer_bend_mm=float(rng.uniform(1.0, 5.0)),
        cluster_shape=float(rng.uniform(0.8, 6.0)) if rng.random() < _LACKING_SHARE else None,
        cluster_spacing_mm=float(rng.uniform(0.6, 1.6)),
    )
    return Physics(
        tissue,
        follows_depth=bool(rng.random() < _LACKING_SHARE),
        shadow_spread=sometimes(0.1, 1.0),
        refill=sometimes(0.01, 0.1),
        wall_repeats=sometimes(0.05, 0.35),
        wall_repeat_mm=float(rng.uniform(1.5, 9.0)),
        side_lobes=sometimes(0.003, 0.05),
    )


PHYSICS: dict[PhysicsName, Physics] = {"scatterers": SCATTERERS, "resolution-cells": RESOLUTION_CELLS}
