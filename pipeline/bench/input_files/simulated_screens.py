"""Invented machines with what they show of invented animals, and where their sector truly is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.acoustics.geometry import screen_grid
from synthetic.anatomy.anatomy import Order, draw_animal
from synthetic.anatomy.species import PROFILES, load_profile
from synthetic.film.film import HEIGHT, SAMPLES, WIDTH, Studio, draw_machine
from synthetic.film.hand import draw_sweep
from synthetic.film.tissue_motion import draw_breath

__all__ = ["Filmed", "filmed_machines"]

# Few enough to fit into any animal.
ORDERS = (Order(), Order(follicles=3), Order(calcified=3), Order(thin_shelled=2))
SWEEP, BEGIN = 100, 30  # frames of the sweep, and the first that is filmed


@dataclass(frozen=True)
class Filmed:
    """frames : (F, H, W) uint8;  sector : (H, W) bool, where the machine draws echoes;  mm_per_px : the true scale"""

    frames: NDArray[np.uint8]
    sector: NDArray[np.bool_]
    mm_per_px: float


def filmed_machines(number: int, seed: int, frames: int, *, apart: int = 8) -> Iterator[Filmed]:
    """Machines with screens of their own, each before an animal of its own.

    apart : how many frames of the sweep lie from one that is filmed to the next
    """
    for index in range(number):
        rng = np.random.default_rng([seed, index])
        profile = load_profile(PROFILES[int(rng.integers(len(PROFILES)))])
        animal = draw_animal(rng, profile, ORDERS[index % len(ORDERS)])
        machine = draw_machine(rng, animal)
        sweep = draw_sweep(rng, animal, "left", SWEEP)
        chosen = BEGIN + apart * np.arange(frames)
        names = ("origins", "rights", "downs", "pressure_mm", "contact", "sudden")
        sweep = replace(sweep, **{name: getattr(sweep, name)[chosen] for name in names})
        breath = draw_breath(rng, SWEEP)[chosen]
        pictures = [frame.grey for frame in Studio(animal, machine, seed).film(sweep, breath, seed)]
        sector = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
        yield Filmed(np.stack(pictures), sector, machine.mm_per_px)
