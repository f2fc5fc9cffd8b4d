"""Figures of one method as functions of how often each animal counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from models.average_precision import CocoEvaluator, DetectedBoxes, DetectionOutcomes, TrueBoxes
from pipeline.bench.comparison.resampling import Statistic
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.tracking_input import frames_by_clip, tracking_clips
from pipeline.bench.tracking_metrics import ALPHAS, tally_clip

__all__ = [
    "animal_of_frame",
    "count_error",
    "hota",
    "mean_over_animals",
    "shelled_average_precision",
    "shelled_precision_by_range",
]

Floats = NDArray[np.float64]
Range = tuple[float, float]

_RECALLS = np.linspace(0, 1, 101)  # at which COCO reads the precision


def shelled_average_precision(data_set: DataSet, found: ExportedDetections) -> tuple[Statistic, Statistic]:
    """COCO's average precision of shelled eggs on boxes: at an overlap of 0.5, and over 0.5 to 0.95."""
    precision = _AveragePrecisions(
        _shelled_evaluator(data_set, found).outcomes(), animal_of_frame(data_set), len(data_set.animals)
    )
    return precision.at_half, precision.mean


def shelled_precision_by_range(
    data_set: DataSet, found: ExportedDetections, true_value: Floats, found_value: Floats, ranges: Sequence[Range]
) -> list[Statistic]:
    """The first of them for the objects whose value is in each range [low, high).

    true_value : (N,) of all true objects;  found_value : (D,) of all detections, see `CocoEvaluator.by_range`
    """
    evaluator = _shelled_evaluator(data_set, found)
    outcomes = evaluator.outcomes_by_range(
        true_value[data_set.objects.is_shelled], found_value[found.is_shelled], ranges
    )
    animal = animal_of_frame(data_set)
    return [_AveragePrecisions(each, animal, len(data_set.animals)).at_half for each in outcomes]


def _shelled_evaluator(data_set: DataSet, found: ExportedDetections) -> CocoEvaluator:
    truth = data_set.objects
    true, detected = truth.is_shelled, found.is_shelled
    return CocoEvaluator(
        TrueBoxes(truth.frame[true], truth.boxes[true], truth.areas[true], truth.ignored[true]),
        DetectedBoxes(found.frame[detected], found.boxes[detected], found.scores[detected]),
        pictures=len(data_set.frames.ids),
    )


class _AveragePrecisions:
    """Average precision from the outcomes of detections, as pycocotools accumulates them."""

    def __init__(self, outcomes: DetectionOutcomes, animal_of_frame: NDArray[np.int64], animals: int) -> None:
        order = np.argsort(-outcomes.scores, kind="stable")
        self._animal = animal_of_frame[outcomes.picture[order]]
        counted = ~outcomes.ignored[:, order]
        self._right, self._wrong = outcomes.matched[:, order] & counted, ~outcomes.matched[:, order] & counted
        self._true = np.bincount(animal_of_frame, weights=outcomes.true_objects, minlength=animals)  # (A,)

    def at_half(self, weights: Floats) -> Floats:
        return np.array([self._at(0, each) for each in weights])

    def mean(self, weights: Floats) -> Floats:
        return np.array([np.mean([self._at(row, each) for row in range(len(self._right))]) for each in weights])

    def _at(self, overlap: int, weights: Floats) -> float:
        wanted = float(weights @ self._true)
        if wanted == 0:
            return float("nan")
        times = weights[self._animal]
        right, wrong = np.cumsum(times * self._right[overlap]), np.cumsum(times * self._wrong[overlap])
        precision = right / np.maximum(right + wrong, 1)
        best_from_here = np.append(np.maximum.accumulate(precision[::-1])[::-1], 0.0)
        return float(best_from_here[np.searchsorted(right / wanted, _RECALLS, side="left")].mean())


def hota(data_set: DataSet, found: ExportedDetections) -> Statistic:
    """HOTA of all objects, see `pipeline.bench.tracking_metrics`; NaN where the data set does not identify objects."""
    animal = animal_of_frame(data_set)
    of_clip = [animal[clip[0]] for clip in frames_by_clip(data_set.frames)]
    tallies = [tally_clip(clip) for clip in tracking_clips(data_set.objects, found, data_set.frames)]

    def by_animal(name: str) -> Floats:
        sums = np.zeros((len(data_set.animals), len(ALPHAS)))
        for place, tally in zip(of_clip, tallies, strict=False):
            sums[place] += getattr(tally, name)
        return sums

    matches, misses, false, association = (
        by_animal(name) for name in ("matches", "misses", "false_positives", "association_sum")
    )

    def value(weights: Floats) -> Floats:
        right = weights @ matches
        either = right + weights @ misses + weights @ false
        values = np.sqrt(right / np.maximum(either, 1) * (weights @ association) / np.maximum(right, 1)).mean(axis=1)
        return np.where(either.any(axis=1), values, np.nan)

    return value


def count_error(errors: Sequence[int | None]) -> Statistic:
    """Mean absolute error over the animals with a count. errors : (A,) counted minus crossed, None without a count"""
    return mean_over_animals([None if error is None else abs(error) for error in errors])


def mean_over_animals(values: Sequence[float | None]) -> Statistic:
    """The mean of a value of each animal, over those that have one. values : (A,)"""
    known = np.array([each is not None for each in values], dtype=np.float64)
    numbers = np.array([each or 0 for each in values], dtype=np.float64)

    def value(weights: Floats) -> Floats:
        animals = weights @ known
        return np.where(animals > 0, weights @ numbers / np.maximum(animals, 1), np.nan)

    return value


def animal_of_frame(data_set: DataSet) -> NDArray[np.int64]:
    """(F,) place of the animal of each frame."""
    place: Mapping[str, int] = {animal: index for index, animal in enumerate(data_set.animals)}
    return np.array([place[animal] for animal, _, _ in data_set.frames.ids], dtype=np.int64)
