"""Invented machines with what they show of invented animals, and where their sector truly is.

``python -m tests.pipeline.ingest.machines --machines 60 --seed 8802`` prints how well the sectors are found.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector import find_sector
from synthetic.anatomy import Order, draw_animal
from synthetic.film import HEIGHT, SAMPLES, WIDTH, Studio, draw_machine
from synthetic.geometry import screen_grid
from synthetic.motion import draw_breath
from synthetic.probe import draw_sweep
from synthetic.species import PROFILES, load_profile

__all__ = ["Filmed", "filmed_machines", "likeness"]

# Few enough to fit into any animal.
ORDERS = (Order(), Order(follicles=3), Order(calcified=3), Order(thin_shelled=2))
APART = 8  # frames of the sweep between two that are filmed


@dataclass(frozen=True)
class Filmed:
    """frames : (F, H, W) uint8;  sector : (H, W) bool, where the machine draws echoes;  mm_per_px : the true scale"""

    frames: NDArray[np.uint8]
    sector: NDArray[np.bool_]
    mm_per_px: float


def filmed_machines(number: int, seed: int, frames: int) -> Iterator[Filmed]:
    """Machines with screens of their own, each before an animal of its own."""
    for index in range(number):
        rng = np.random.default_rng([seed, index])
        profile = load_profile(PROFILES[int(rng.integers(len(PROFILES)))])
        animal = draw_animal(rng, profile, ORDERS[index % len(ORDERS)])
        machine = draw_machine(rng, animal)
        sweep = draw_sweep(rng, animal, "left", 100)
        chosen = 30 + APART * np.arange(frames)
        names = ("origins", "rights", "downs", "pressure_mm", "contact", "sudden")
        sweep = replace(sweep, **{name: getattr(sweep, name)[chosen] for name in names})
        breath = draw_breath(rng, 100)[chosen]
        pictures = [frame.grey for frame in Studio(animal, machine, seed).film(sweep, breath, seed)]
        sector = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
        yield Filmed(np.stack(pictures), sector, machine.mm_per_px)


def likeness(found: NDArray[np.bool_], true: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float((found & true).sum() / (found | true).sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=60)
    parser.add_argument("--seed", type=int, required=True, help="one that nothing was tuned on")
    parser.add_argument("--frames", type=int, default=3, help="that the sector is found from")
    given = parser.parse_args()
    found = [
        likeness(find_sector(list(filmed.frames)).mask, filmed.sector)
        for filmed in filmed_machines(given.machines, given.seed, given.frames)
    ]
    poor = sum(one < 0.95 for one in found)
    sys.stdout.write(
        f"{len(found)} sectors, {given.frames} frames each: overlap {np.mean(found):.3f} in the mean, "
        f"{min(found):.3f} at worst, {poor} below 0.95\n"
    )


if __name__ == "__main__":
    main()
