"""Animals with an anatomy and an appearance that training never shows: they stand in for those of a new centre.

Their eggs are longer and more slender than in any shipped species. The grey map of their machine is reversed, from
white for the weakest echo to black for the strongest, and not monotonic. Training never draws such a map
(appearance.grey_map: a stronger echo is never darker).
"""

from __future__ import annotations

import numpy as np

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.species import SpeciesRanges
from synthetic.film.subjects import Subject, both_windows

__all__ = ["LONG_EGG_SPECIES", "REVERSED_GREY_MAP", "unseen_subjects"]

# Invented, like the species. The longest eggs of the shipped species are 46 mm long and nearly round.
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
    """Females that carry eggs of one stage, filmed from both windows. frames : of each clip"""
    subjects = []
    for index in range(animals):
        rng = np.random.default_rng([seed, index, 5])
        number = int(rng.integers(LONG_EGG_SPECIES.clutch[0], LONG_EGG_SPECIES.clutch[1] + 1))
        stage_counts = StageCounts(calcified=number) if rng.random() < 0.7 else StageCounts(thin_shelled=number)
        subjects.append(
            Subject(
                f"OWN-{index + 1:02d}",
                LONG_EGG_SPECIES,
                stage_counts,
                both_windows(frames),
                grey_map_knots=REVERSED_GREY_MAP,
            )
        )
    return subjects
