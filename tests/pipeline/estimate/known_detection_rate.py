from __future__ import annotations

import numpy as np

from pipeline.estimate.missed_eggs import MissedEggs


def missed_at_rate(chance: float) -> MissedEggs:
    """Where every egg is found with the same known chance."""
    odds = (1 - chance) / chance
    return MissedEggs(np.ones(1), np.array([odds]), np.array([odds / chance]), has_repeat_passes=False)
