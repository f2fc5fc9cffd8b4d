"""Named models of speckle and of shadow, with one of which a phantom is rendered.

All numbers of the second model are judgement, without a source, except where a formula is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from synthetic.acoustics.tissue import TISSUE, TissueModel

__all__ = ["PHYSICS", "RESOLUTION_CELLS", "SCATTERERS", "Physics", "PhysicsName"]

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
    """

    tissue: TissueModel
    follows_depth: bool = False
    shadow_spread: float = 0.0
    refill: float = 0.0


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
)
PHYSICS: dict[PhysicsName, Physics] = {"scatterers": SCATTERERS, "resolution-cells": RESOLUTION_CELLS}
