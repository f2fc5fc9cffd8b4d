"""Invented machines with what they show of invented animals, and where their sector truly is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.acoustics.geometry import screen_grid
from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.film.film import HEIGHT, SAMPLES, WIDTH, ClipRenderer, draw_machine
from synthetic.film.hand import draw_sweep
from synthetic.film.tissue_motion import draw_breath

__all__ = ["SimulatedScreen", "simulated_screens"]

# Few enough to fit into any animal.
CLUTCH_ORDERS = (StageCounts(), StageCounts(follicles=3), StageCounts(calcified=3), StageCounts(thin_shelled=2))
SWEEP_FRAMES, FIRST_FRAME = 100, 30  # frames of the sweep, and the first that is filmed


@dataclass(frozen=True)
class SimulatedScreen:
    """frames : (F, H, W) uint8;  sector_mask : (H, W) bool, where the machine draws echoes;  mm_per_px : the true scale"""

    frames: NDArray[np.uint8]
    sector_mask: NDArray[np.bool_]
    mm_per_px: float


def simulated_screens(number: int, seed: int, frames: int, *, frame_step: int = 8) -> Iterator[SimulatedScreen]:
    """Machines with screens of their own, each before an animal of its own.

    frame_step : how many frames of the sweep lie from one that is filmed to the next
    """
    for index in range(number):
        rng = np.random.default_rng([seed, index])
        profile = load_species_ranges(PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))])
        animal = draw_animal(rng, profile, CLUTCH_ORDERS[index % len(CLUTCH_ORDERS)])
        machine = draw_machine(rng, animal)
        sweep = draw_sweep(rng, animal, "left", SWEEP_FRAMES)
        chosen = FIRST_FRAME + frame_step * np.arange(frames)
        names = ("origins", "rights", "downs", "pressure_mm", "contact", "is_abrupt")
        sweep = replace(sweep, **{name: getattr(sweep, name)[chosen] for name in names})
        breath = draw_breath(rng, SWEEP_FRAMES)[chosen]
        pictures = [frame.grey for frame in ClipRenderer(animal, machine, seed).render(sweep, breath, seed)]
        sector = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
        yield SimulatedScreen(np.stack(pictures), sector, machine.mm_per_px)
