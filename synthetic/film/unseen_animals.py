"""Animals of an anatomy and an appearance that no training has seen: they stand in for a centre's own.

Their eggs are longer and more slender than any shipped profile has them, and their machine's grey map runs the other
way round, from white for the weakest echo to black for the strongest, and not even steadily, as no map that training
draws does (`grey_map`: a stronger echo is never darker).
"""

from __future__ import annotations

import numpy as np

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.species import SpeciesRanges
from synthetic.film.clips import Subject

__all__ = ["LONG_EGG_SPECIES", "REVERSED_GREY_MAP", "unseen_subjects"]

# Invented, as is the species; of the shipped profiles the longest eggs are 46 mm, and those are nearly round.
LONG_EGG_SPECIES = SpeciesRanges(
    species="Alder Fen long-egged turtle",
    carapace_mm=(210, 250),
    width_ratio=(0.76, 0.84),
    height_ratio=(0.42, 0.48),
    clutch=(4, 9),
    egg_length_mm=(50, 58),
    egg_width_mm=(18, 21),
    follicle_mm=(6, 20),
)
REVERSED_GREY_MAP = (0.95, 0.8, 0.6, 0.66, 0.46, 0.52, 0.3, 0.2, 0.05)


def unseen_subjects(animals: int, seed: int, *, frames: int) -> list[Subject]:
    """Females with eggs of one stage each, filmed from both windows. frames : of each clip"""
    subjects = []
    for index in range(animals):
        rng = np.random.default_rng([seed, index, 5])
        number = int(rng.integers(LONG_EGG_SPECIES.clutch[0], LONG_EGG_SPECIES.clutch[1] + 1))
        order = StageCounts(calcified=number) if rng.random() < 0.7 else StageCounts(thin_shelled=number)
        subjects.append(
            Subject(f"OWN-{index + 1:02d}", LONG_EGG_SPECIES, order, frames=frames, grey_map_knots=REVERSED_GREY_MAP)
        )
    return subjects
