"""What people would count otherwise: plain numbers of the same detections and tracks, without merging."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSetFrames

__all__ = ["BaselineMetrics", "baseline_counts"]

_FOLLICLE = 1
_SURE = 0.5  # score from which a detection counts, as everywhere in the bench


@dataclass(frozen=True)
class BaselineMetrics:
    """One way to count, over all animals. exact, within_1 : shares;  bias, mean_absolute_error : means, in eggs"""

    exact: float
    within_1: float
    bias: float
    mean_absolute_error: float


def baseline_counts(
    found: ExportedDetections, frames: DataSetFrames, results: Sequence[Mapping[str, Any]], crossed: Mapping[str, int]
) -> dict[str, BaselineMetrics]:
    """Each way to count, by its name; of no animal, none. crossed : shelled eggs crossed, by animal."""
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
    return {name: _errors(np.array(each, int) - np.array(truth, int)) for name, each in counts.items()}


def _most_in_one_frame(found: ExportedDetections, frames: DataSetFrames) -> dict[str, int]:
    counted = found.tracked & (found.scores >= _SURE) & (found.stage != _FOLLICLE)
    most: dict[str, int] = {}
    for (animal, _, _), number in zip(
        frames.ids, np.bincount(found.frame[counted], minlength=len(frames.ids)).tolist(), strict=True
    ):
        most[animal] = max(most.get(animal, 0), number)
    return most


def _errors(error: NDArray[np.int64]) -> BaselineMetrics:
    return BaselineMetrics(
        exact=float((error == 0).mean()),
        within_1=float((np.abs(error) <= 1).mean()),
        bias=float(error.mean()),
        mean_absolute_error=float(np.abs(error).mean()),
    )
