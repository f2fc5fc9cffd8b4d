"""Parts of the physics that training pictures can lack, to find out what each of them is worth.

What is left out changes no random draw, so the pictures show the same animals through the same machines.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Literal

import torch

from synthetic.acoustics.beam_rendering import Console
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.physics import SCATTERERS, Physics
from synthetic.acoustics.plane_sections import AnimalBatch
from synthetic.anatomy.bodies import Kind

__all__ = ["PhysicsPart", "animals_without", "console_without", "materials_without", "physics_without"]

PhysicsPart = Literal["shadow", "angle", "partial-volume", "artefacts", "varied-speckle", "distractors", "looks"]
"""shadow : bodies weaken what lies behind them by more than tissue does
angle : walls echo less where the beam meets them obliquely
partial-volume : a plane has a thickness, so that it shows several depths of a body at once
artefacts : soft edges of shadows, reverberation, repeated walls and side lobes
varied-speckle : speckle, layers and focusing of many kinds; without it those of one
distractors : bodies that look like eggs or follicles
looks : machines with other settings, and marks on their screens
"""

_LOOK_ALIKES = (
    *(Kind.FLUID, Kind.KIDNEY, Kind.VESSEL, Kind.OVIDUCT, Kind.BOWEL, Kind.BLADDER, Kind.CYST),
    *(Kind.CORPUS_LUTEUM, Kind.UROLITH),
)
_THIN_MM = 0.1  # of a plane without partial volume; less than a sample


def physics_without(physics: Physics, left_out: Collection[PhysicsPart]) -> Physics:
    """The model without artefacts, or with the plain speckle."""
    if "varied-speckle" in left_out:
        physics = replace(physics, tissue=SCATTERERS.tissue, follows_depth=SCATTERERS.follows_depth)
    if "artefacts" in left_out:
        physics = replace(physics, shadow_spread=0.0, refill=0.0, wall_repeats=0.0, side_lobes=0.0)
    return physics


def console_without(console: Console, left_out: Collection[PhysicsPart]) -> Console:
    """The machine with a plane that has no thickness."""
    if "partial-volume" not in left_out:
        return console
    return replace(console, slice_thickness_mm=torch.full_like(console.slice_thickness_mm, _THIN_MM))


def animals_without(animals: AnimalBatch, left_out: Collection[PhysicsPart]) -> AnimalBatch:
    """The animals without look-alikes."""
    if "distractors" not in left_out:
        return animals
    is_look_alike = torch.isin(animals.kinds, torch.tensor(_LOOK_ALIKES, device=animals.kinds.device))
    return replace(animals, is_object=animals.is_object & ~is_look_alike)


def materials_without(materials: Materials, console: Console, left_out: Collection[PhysicsPart]) -> Materials:
    """Bodies that weaken sound as tissue does, and walls that echo alike at every angle."""
    nothing = torch.zeros_like(materials.loss_db)
    if "shadow" in left_out:
        materials = replace(
            materials,
            loss_db=nothing,
            shell_mm=nothing,
            mineral=nothing,
            absorption=nothing,
            attenuation=console.attenuation[:, None].expand_as(nothing),
        )
    if "angle" in left_out:
        materials = replace(materials, rim_power=nothing, rim_dropout_db=nothing)
    return materials
