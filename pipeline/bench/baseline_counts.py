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

__all__ = ["PUBLISHED_ERRORS", "BaselineMetrics", "baseline_counts"]

# The abstract for a meeting and the later paper on the same work give different figures.
PUBLISHED_ERRORS = """\
Published errors of people, other animals, other truth (five species of lizards, dissected): 0.19 +- 1.12 eggs (mean and
SD) at clutches of 2 to 9 and 2.5 +- 6.8 at 18 to 41 (Gilman and Wolf, abstract for a meeting of SICB); in their paper
on it accurate at 2 to 7, within 5.5 +- 1.7 (mean and standard error) at 18 to 41 (2007, doi 10.1242/jeb.001875)."""


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
    counts: dict[str, list[int]] = {"most in one frame": [], "tracks, not merged": [], "sum over clips": []}
    most = _most_in_one_frame(found, frames)
    truth = []
    for result in results:
        eggs = [egg for egg in result["eggs"] if egg["stage"] != "follicle"]
        counts["most in one frame"].append(most.get(result["animal"], 0))
        counts["tracks, not merged"].append(sum(len(egg["sightings"]) for egg in eggs))
        counts["sum over clips"].append(sum(len({each["clip"] for each in egg["sightings"]}) for egg in eggs))
        truth.append(crossed[result["animal"]])
    if not truth:
        return {}
    return {name: _baseline_metrics(np.array(each, int) - np.array(truth, int)) for name, each in counts.items()}


def _most_in_one_frame(found: ExportedDetections, frames: DataSetFrames) -> dict[str, int]:
    counted = found.tracked & (found.scores >= SCORE_THRESHOLD) & found.is_shelled
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
