"""Of what stage: each egg, and the clutch as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.finding import Stage
from pipeline.track.merging import Egg

__all__ = ["STAGES", "clutch_stage", "egg_stage", "triple"]

STAGES: tuple[Stage, Stage, Stage] = ("follicle", "thin-shelled", "calcified")


def egg_stage(egg: Egg) -> tuple[Stage, float]:
    """The likeliest stage within the egg's kind, shelled or not, and its probability.

    So a shelled egg is listed as one even where neither shelled stage alone outweighs "follicle".
    """
    rows = (1, 2) if egg.is_shelled else (0,)
    row = max(rows, key=lambda row: float(egg.stages[row]))
    return STAGES[row], float(egg.stages[row])


def triple(stages: NDArray[np.float64]) -> tuple[float, float, float]:
    """(3,) probabilities in the order of STAGES, as plain numbers."""
    follicle, thin, calcified = stages.tolist()
    return follicle, thin, calcified


def clutch_stage(eggs: Sequence[Egg], empty: float) -> tuple[str, float]:
    """The likeliest of "follicle", "thin-shelled", "calcified", "mixed", "none seen", and its probability.

    With eggs independent, one stage s holds for all real ones with probability prod(1 - e + e p(s)), less
    that of none being real; "mixed" has the rest. Follicles and shelled eggs do occur together (Malaclemys:
    Donini and Selman 2022, Southeast Nat 21:235).

    empty : probability that there is nothing, taken where no egg is listed
    """
    if not eggs:
        return "none seen", empty
    none = math.prod(1 - egg.existence for egg in eggs)
    chances: dict[str, float] = {}
    for row, stage in enumerate(STAGES):
        alike = math.prod(1 - egg.existence * (1 - float(egg.stages[row])) for egg in eggs)
        chances[stage] = max(alike - none, 0.0)
    chances["mixed"] = max(1 - none - sum(chances.values()), 0.0)
    likeliest = max(chances, key=lambda stage: chances[stage])
    return likeliest, min(chances[likeliest], 1.0)
