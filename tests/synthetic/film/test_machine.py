from __future__ import annotations

import numpy as np
import torch

from synthetic.acoustics.geometry import LINEAR_RADIUS_MM
from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.appearance.grey_map import map_to_grey
from synthetic.film.machine import Machine, Variation, draw_machine, draw_variation
from synthetic.film.world import ScreenFamily

ANIMAL = draw_animal(np.random.default_rng(1), load_species_ranges("trachemys-scripta"), StageCounts())


def machines(screen: ScreenFamily, variation: Variation) -> list[Machine]:
    return [draw_machine(np.random.default_rng(seed), ANIMAL, screen, variation) for seed in range(40)]


def test_a_machine_with_a_panel_has_another_probe_and_shows_tissue() -> None:
    drawn = machines("panel", Variation(1.0, 1.0))
    radii = [machine.scanner.radius_mm.item() for machine in drawn]
    assert 6 < radii.count(LINEAR_RADIUS_MM) < 24
    assert max(radius for radius in radii if radius != LINEAR_RADIUS_MM) < 12.01
    for machine in drawn:
        tissue = map_to_grey(torch.zeros(1, 1, 1), machine.appearance.grey_map).item()
        assert 0.07 <= tissue <= 0.8
        assert machine.appearance.density.persistence.item() < 0.7
    assert all(12 <= machine.scanner.radius_mm.item() <= 60 for machine in machines("scattered", Variation(1.0, 1.0)))


def test_machines_vary_as_widely_as_they_are_told() -> None:
    narrow, wide = (
        np.std([machine.console.noise_db.item() for machine in machines("scattered", Variation(share, 1.0))])
        for share in (0.5, 1.0)
    )
    assert wide > 1.5 * narrow
    drawn = [draw_variation(np.random.default_rng(seed)) for seed in range(100)]
    assert min(each.appearance for each in drawn) < 0.3
    assert max(each.appearance for each in drawn) > 0.9
