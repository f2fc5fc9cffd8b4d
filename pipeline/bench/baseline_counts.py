"""What people would do instead: simple ways to count from the same detections and tracks, as baselines for our counts.

most in one frame    the most tracked shelled detections, with a score that counts, in any frame of any clip
tracks, not merged   the tracks of all listed shelled eggs
sum over clips       the listed shelled eggs of each clip, added up, with an egg of two clips counted twice

The last two use our choice of which tracks are real, so they are better than without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.evaluation_thresholds import SCORE_THRESHOLD
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames

__all__ = ["BaselineMetrics", "baseline_counts", "most_in_one_frame", "simpler_counts"]


@dataclass(frozen=True)
class BaselineMetrics:
    """The errors of one way to count, over all animals.

    exact, within_1 : shares of animals;  bias : mean error in eggs;  mean_absolute_error : in eggs
    """

    exact: float
    within_1: float
    bias: float
    mean_absolute_error: float


def baseline_counts(
    found: ExportedDetections, frames: DataSetFrames, results: Sequence[Mapping[str, Any]], crossed: Mapping[str, int]
) -> dict[str, BaselineMetrics]:
    """The metrics of each way to count, by name; empty without an animal.

    results : the ``result.json`` of each animal;  crossed : shelled eggs that a sweep crossed, by animal
    """
    if not results:
        return {}
    ways = simpler_counts(found, frames, results)
    return {
        name: _baseline_metrics(np.array([number - crossed[animal] for animal, number in counts.items()], int))
        for name, counts in ways.items()
    }


def simpler_counts(
    found: ExportedDetections, frames: DataSetFrames, results: Sequence[Mapping[str, Any]]
) -> dict[str, dict[str, int]]:
    """The shelled eggs of each animal with a result, by each way to count. results : as in `baseline_counts`"""
    most = most_in_one_frame(found, frames, found.tracked)
    ways: dict[str, dict[str, int]] = {"most in one frame": {}, "tracks, not merged": {}, "sum over clips": {}}
    for result in results:
        animal, eggs = result["animal"], [egg for egg in result["eggs"] if egg["stage"] != "follicle"]
        ways["most in one frame"][animal] = most.get(animal, 0)
        ways["tracks, not merged"][animal] = sum(len(egg["sightings"]) for egg in eggs)
        ways["sum over clips"][animal] = sum(len({each["clip"] for each in egg["sightings"]}) for egg in eggs)
    return ways


def most_in_one_frame(
    found: ExportedDetections, frames: DataSetFrames, considered: NDArray[np.bool_]
) -> dict[str, int]:
    """The most shelled detections with a score that counts in any frame, by animal.

    considered : (D,) which may count
    """
    counted = considered & (found.scores >= SCORE_THRESHOLD) & found.is_shelled
    most: dict[str, int] = {}
    for (animal, _, _), number in zip(
        frames.ids, np.bincount(found.frame[counted], minlength=len(frames.ids)).tolist(), strict=True
    ):
        most[animal] = max(most.get(animal, 0), number)
    return most


def _baseline_metrics(error: NDArray[np.int64]) -> BaselineMetrics:
    return BaselineMetrics(
        exact=float((error == 0).mean()),
        within_1=float((np.abs(error) <= 1).mean()),
        bias=float(error.mean()),
        mean_absolute_error=float(np.abs(error).mean()),
    )
