"""Figures by kinds of animals: each figure is a function of how often each animal counts, so others count nought times.

Both groups of a difference, the animals of a stratum and all others, are drawn together. They are other animals, so
nothing cancels in it, and its interval is wide where there are few.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.comparison.resampling import Estimate, Sampled, Statistic, sample
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.strata import CLUTCH_SIZES, in_range

__all__ = ["AnimalStratum", "StratumFigures", "clutch_strata", "figures_of_strata", "world_strata"]

Floats = NDArray[np.float64]

# Of strata.CLUTCH_SIZES, those that do not overlap.
_CLUTCHES = ("none", "1 to 15", "16 to 24", "above 24")


@dataclass(frozen=True)
class AnimalStratum:
    """Some animals of a data set. kind : of the strata;  name : within its kind;  animals : (A,) which are in it"""

    kind: str
    name: str
    animals: NDArray[np.bool_]


@dataclass(frozen=True)
class StratumFigures:
    """The figures of one stratum. animals : number;  figures : by name
    minus_others : those of these animals minus those of all others, by name; empty where there are no others
    """

    kind: str
    name: str
    animals: int
    figures: Mapping[str, Estimate]
    minus_others: Mapping[str, Estimate]


def world_strata(data_set: DataSet) -> Iterator[AnimalStratum]:
    """By each part of the worlds in which the animals were simulated; none where they are not known."""
    worlds = [truth.world for truth in data_set.animals.values()]
    for part in dict.fromkeys(part for world in worlds for part in world):
        for name in sorted({world[part] for world in worlds if part in world}):
            yield AnimalStratum(part, name, np.array([world.get(part) == name for world in worlds]))


def clutch_strata(data_set: DataSet) -> Iterator[AnimalStratum]:
    """By the number of shelled eggs that the sweeps crossed."""
    crossed = np.array([truth.crossed.shelled for truth in data_set.animals.values()], dtype=np.float64)
    for name in _CLUTCHES:
        yield AnimalStratum("clutch", name, in_range(crossed, CLUTCH_SIZES[name]))


def figures_of_strata(
    statistics: Mapping[str, Statistic], strata: Sequence[AnimalStratum], weights: Floats
) -> list[StratumFigures]:
    """The figures of each stratum that has an animal. weights : from `animal_weights`"""
    figures = []
    for stratum in strata:
        if not stratum.animals.any():
            continue
        own = {name: _sample(each, stratum.animals, weights) for name, each in statistics.items()}
        others = {} if stratum.animals.all() else statistics
        figures.append(
            StratumFigures(
                kind=stratum.kind,
                name=stratum.name,
                animals=int(stratum.animals.sum()),
                figures={name: each.estimate() for name, each in own.items()},
                minus_others={
                    name: own[name].minus(_sample(each, ~stratum.animals, weights)).estimate()
                    for name, each in others.items()
                },
            )
        )
    return figures


def _sample(statistic: Statistic, animals: NDArray[np.bool_], weights: Floats) -> Sampled:
    return sample(lambda each: statistic(each * animals), weights)
