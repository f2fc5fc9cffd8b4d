"""What a female carries: eggs of one stage, follicles, both, or nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.species import SpeciesRanges

__all__ = ["SEASONAL_MIX", "TRAINING_MIX", "ReproductiveMix", "draw_stage_counts"]

_MIN_FOLLICLES = 4


@dataclass(frozen=True)
class ReproductiveMix:
    """The mix of animals to draw from.

    shares : of females with calcified eggs only, thin-shelled eggs only, follicles only, calcified eggs and follicles,
    thin-shelled eggs and follicles; the rest carry nothing
    max_follicles : the most that one female carries
    """

    shares: tuple[float, float, float, float, float]
    max_follicles: int


# The laying season. Common practice, no source.
SEASONAL_MIX = ReproductiveMix((0.3, 0.2, 0.2, 0.11, 0.1), max_follicles=40)
# Follicles are small and many do not stand out, so a picture has few to learn from: training draws more of them.
TRAINING_MIX = ReproductiveMix((0.2, 0.14, 0.28, 0.18, 0.13), max_follicles=50)


def draw_stage_counts(
    rng: np.random.Generator, species: SpeciesRanges, mix: ReproductiveMix = SEASONAL_MIX
) -> StageCounts:
    """What a female of the species may carry: eggs of one stage, follicles, both, or nothing."""
    low, high = species.clutch
    clutch = int(rng.integers(low, high + 1))
    follicles = round(float(np.exp(rng.uniform(np.log(_MIN_FOLLICLES), np.log(mix.max_follicles)))))
    state = int(np.searchsorted(np.cumsum(mix.shares), rng.random(), side="right"))
    states = (
        StageCounts(calcified=clutch),
        StageCounts(thin_shelled=clutch),
        StageCounts(follicles=follicles),
        StageCounts(calcified=clutch, follicles=follicles),
        StageCounts(thin_shelled=clutch, follicles=follicles),
        StageCounts(),
    )
    return states[state]
