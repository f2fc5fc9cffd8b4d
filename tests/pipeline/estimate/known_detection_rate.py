from __future__ import annotations

import numpy as np

from pipeline.estimate.missed_eggs import MissedEggs


def missed_at_rate(rate: float) -> MissedEggs:
    """What is missed where every egg is found with the same known probability."""
    mean = (1 - rate) / rate
    return MissedEggs(np.ones(1), np.array([mean]), np.array([mean / rate]), has_repeat_passes=False)
