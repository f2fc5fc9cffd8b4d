"""Of what stage: each egg, and the clutch as a whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.counts import CountEstimate
from pipeline.estimate.results import Stage
from pipeline.track.merging.merge import Egg

__all__ = ["STAGES", "clutch_stage", "egg_stage", "stage_tuple"]

_LEAST = 1e-12

STAGES: tuple[Stage, Stage, Stage] = ("follicle", "thin-shelled", "calcified")


def egg_stage(egg: Egg) -> tuple[Stage, float]:
    """The likeliest stage within the egg's kind, shelled or not, and its probability.

    So a shelled egg is listed as one even where neither shelled stage alone outweighs "follicle".
    """
    rows = (1, 2) if egg.is_shelled else (0,)
    row = max(rows, key=lambda row: float(egg.stages[row]))
    return STAGES[row], float(egg.stages[row])


def stage_tuple(stages: NDArray[np.float64]) -> tuple[float, float, float]:
    """(3,) probabilities in the order of STAGES, as plain numbers."""
    follicle, thin, calcified = stages.tolist()
    return follicle, thin, calcified


def clutch_stage(shelled: CountEstimate, follicles: CountEstimate) -> tuple[str, float]:
    """The stage of all that she carries, as it is counted, and the probability that a look inside would say the same.

    "none seen" where nothing is counted, "follicle" and the shelled stages where nothing else is, and "mixed" for
    follicles beside shelled eggs (they do occur together, in Malaclemys: Donini and Selman 2022, Southeast Nat 21:235)
    and for shells of two stages. What no sweep found counts, too: a clutch called calcified is right only if there are
    no follicles that were overlooked. Shelled eggs and follicles, and the stages of eggs, are taken for independent.
    """
    no_shelled, no_follicle = (
        shelled.distribution.probability_within(0, 0),
        follicles.distribution.probability_within(0, 0),
    )
    alike = _alike(shelled.eggs)
    both = max(1 - sum(alike.values()), 0.0)
    if not shelled.count.estimate:
        if follicles.count.estimate:
            return "follicle", no_shelled * (1 - no_follicle)
        return "none seen", no_shelled * no_follicle
    stage = max(alike, key=lambda stage: alike[stage])
    if follicles.count.estimate or both > alike[stage]:
        return "mixed", (1 - no_shelled) * (1 - no_follicle + no_follicle * both)
    return stage, (1 - no_shelled) * no_follicle * alike[stage]


def _alike(eggs: Sequence[Egg]) -> dict[Stage, float]:
    """Probability that all shelled eggs are of one stage, if there are any: prod(1 - e + e p(s)) less that of none."""
    if not eggs:
        return {"thin-shelled": 0.5, "calcified": 0.5}  # counted, but none sure enough to be looked at
    existence = np.array([egg.existence for egg in eggs])
    shares = np.array([egg.stages[1:] / egg.stages[1:].sum() for egg in eggs])
    none = float(np.prod(1 - existence))
    chances = (np.prod(1 - existence[:, None] * (1 - shares), axis=0) - none) / max(1 - none, _LEAST)
    thin, calcified = np.clip(chances, 0.0, 1.0).tolist()
    return {"thin-shelled": thin, "calcified": calcified}
