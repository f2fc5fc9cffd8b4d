from __future__ import annotations

import numpy as np

from pipeline.estimate.missed_eggs import Overlooked


def found_at(chance: float) -> Overlooked:
    """Where every egg is found with the same known chance."""
    odds = (1 - chance) / chance
    return Overlooked(np.ones(1), np.array([odds]), np.array([odds / chance]), repeated=False)
