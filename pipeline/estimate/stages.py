"""The stage of each egg, and of the clutch as a whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES, Stage
from pipeline.estimate.counts import CountEstimate
from pipeline.track.merging.merge import Egg

__all__ = ["clutch_stage", "egg_stage", "stage_tuple"]

_MIN_PROBABILITY = 1e-12  # guards a division


def egg_stage(egg: Egg) -> tuple[Stage, float]:
    """The most likely stage within the egg's kind, shelled or not, and its probability.

    A shelled egg gets a shelled stage even where each shelled stage alone is less likely than "follicle".
    """
    rows = (1, 2) if egg.is_shelled else (0,)
    row = max(rows, key=lambda row: float(egg.stages[row]))
    return STAGES[row], float(egg.stages[row])


def stage_tuple(stages: NDArray[np.float64]) -> tuple[float, float, float]:
    """(3,) probabilities in the order of STAGES, as plain numbers."""
    follicle, thin, calcified = stages.tolist()
    return follicle, thin, calcified


def clutch_stage(shelled: CountEstimate, follicles: CountEstimate) -> tuple[str, float]:
    """The stage of everything that is counted, and the probability that it is true of everything she carries.

    "none seen" where nothing is counted, "follicle" or a shelled stage where nothing else is counted, and "mixed" for
    follicles together with shelled eggs (both do occur at once, in Malaclemys: Donini and Selman 2022, Southeast Nat
    21:235) and for shells of two stages. Missed objects matter, too: a clutch called calcified is right only if no
    follicles were missed. Shelled eggs and follicles are assumed to be independent.
    """
    no_shelled, no_follicle = (
        shelled.distribution.probability_within(0, 0),
        follicles.distribution.probability_within(0, 0),
    )
    one_stage = _one_stage_probabilities(shelled.eggs)
    both_stages = max(1 - sum(one_stage.values()), 0.0)
    if not shelled.count.estimate:
        if follicles.count.estimate:
            return "follicle", no_shelled * (1 - no_follicle)
        return "none seen", no_shelled * no_follicle
    stage = max(one_stage, key=lambda stage: one_stage[stage])
    if follicles.count.estimate or both_stages > one_stage[stage]:
        return "mixed", (1 - no_shelled) * (1 - no_follicle + no_follicle * both_stages)
    return stage, (1 - no_shelled) * no_follicle * one_stage[stage]


def _one_stage_probabilities(eggs: Sequence[Egg]) -> dict[Stage, float]:
    """For each shelled stage, the probability that all shelled eggs are of it, given that there are any.

    What makes the stage of one egg doubtful (the machine, a stage between two, a network on pictures unlike any that it
    learned from) makes that of the others doubtful as well. So they are taken to depend on each other as far as they
    can: all real ones are of a stage with the probability of the least likely of them. Taken as independent, ten eggs
    of 0.9 each would be called mixed.
    """
    if not eggs:
        return {"thin-shelled": 0.5, "calcified": 0.5}  # counted, but no object is likely enough to be listed
    existence = np.array([egg.existence for egg in eggs])
    shelled_stages = np.array([egg.stages[1:] / egg.stages[1:].sum() for egg in eggs])
    thin, calcified = (_mean_of_least(column, existence) for column in shelled_stages.T)
    return {"thin-shelled": thin, "calcified": calcified}


def _mean_of_least(values: NDArray[np.float64], existence: NDArray[np.float64]) -> float:
    """Expected least value among the real objects, given that any is real. existence : probability of each"""
    order = np.argsort(values)
    sorted_existence = existence[order]
    none_before = np.concatenate([[1.0], np.cumprod(1 - sorted_existence)[:-1]])
    is_least = sorted_existence * none_before
    return float(is_least @ values[order] / max(is_least.sum(), _MIN_PROBABILITY))
