"""Screens of simulated machines that show simulated animals, with the true sector."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.acoustics.geometry import screen_grid
from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.film.film import ClipRenderer
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import HEIGHT, SAMPLES, WIDTH, draw_machine
from synthetic.film.tissue_motion import draw_breath

__all__ = ["SimulatedScreen", "simulated_screens"]

# Small clutches, which fit into any animal.
_CLUTCHES = (StageCounts(), StageCounts(follicles=3), StageCounts(calcified=3), StageCounts(thin_shelled=2))
_SWEEP_FRAMES, _FIRST_FRAME = 100, 30  # frames of the sweep, and the first that is rendered


@dataclass(frozen=True)
class SimulatedScreen:
    """Frames of one machine.

    frames : (F, H, W) uint8;  sector_mask : (H, W) bool, where the machine draws echoes;  mm_per_px : the true scale
    """

    frames: NDArray[np.uint8]
    sector_mask: NDArray[np.bool_]
    mm_per_px: float


def simulated_screens(number: int, seed: int, frames: int, *, frame_step: int = 8) -> Iterator[SimulatedScreen]:
    """Simulated machines, each with its own screen and its own animal.

    frames : number of frames of each;  frame_step : frames of the sweep from one rendered frame to the next
    """
    for index in range(number):
        rng = np.random.default_rng([seed, index])
        profile = load_species_ranges(PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))])
        animal = draw_animal(rng, profile, _CLUTCHES[index % len(_CLUTCHES)])
        machine = draw_machine(rng, animal)
        sweep = draw_sweep(rng, animal, "left", _SWEEP_FRAMES)
        chosen = _FIRST_FRAME + frame_step * np.arange(frames)
        names = ("origins", "rights", "downs", "pressure_mm", "contact", "is_abrupt")
        sweep = replace(sweep, turns=(), **{name: getattr(sweep, name)[chosen] for name in names})
        breath = draw_breath(rng, _SWEEP_FRAMES)[chosen]
        pictures = [frame.grey for frame in ClipRenderer(animal, machine, seed).render(sweep, breath, seed)]
        sector = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
        yield SimulatedScreen(np.stack(pictures), sector, machine.mm_per_px)
