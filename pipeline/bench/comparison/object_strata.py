"""Average precision by depth, size, shadow and stage of the true objects, with intervals over animals.

A false detection on no object has no depth, shadow or stage, so it counts in every stratum of these. Its size is its
own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES
from pipeline.bench.comparison.animal_strata import StratumFigures
from pipeline.bench.comparison.resampling import sample
from pipeline.bench.comparison.statistics import animal_of_frame, shelled_precision_by_range
from pipeline.bench.detection_matching import value_of_nearest_object
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.strata import DEPTH_RANGES_MM, VISIBILITY_RANGES, in_range

__all__ = ["object_strata_figures"]

Floats = NDArray[np.float64]
Ranges = Mapping[str, tuple[float, float]]

# Mean diameter of the section, not of the egg (judgement, no source).
_DIAMETERS_MM: Ranges = {"below 20 mm": (0.0, 20.0), "20 to 30 mm": (20.0, 30.0), "from 30 mm": (30.0, np.inf)}
_SHADOWS: Ranges = {
    "more than half hidden": VISIBILITY_RANGES["below half"],
    "1/4 to half hidden": VISIBILITY_RANGES["half to 3/4"],
    "up to 1/4 hidden": VISIBILITY_RANGES["3/4 and more"],
}
_SHELLED_STAGES: Ranges = {stage: (float(row), row + 1.0) for row, stage in enumerate(STAGES) if row > 0}


def object_strata_figures(data_set: DataSet, found: ExportedDetections, weights: Floats) -> list[StratumFigures]:
    """AP50 of shelled eggs in each stratum that has one. weights : from `animal_weights`"""
    truth, figures = data_set.objects, []
    wanted = truth.is_shelled & ~truth.ignored
    animal = animal_of_frame(data_set)[truth.frame]
    for kind, true_value, found_value, ranges in _strata(data_set, found):
        statistics = shelled_precision_by_range(data_set, found, true_value, found_value, list(ranges.values()))
        for (name, limits), statistic in zip(ranges.items(), statistics, strict=True):
            inside = wanted & in_range(true_value, limits)
            if inside.any():
                estimate = sample(statistic, weights).estimate()
                figures.append(StratumFigures(kind, name, len(np.unique(animal[inside])), {"AP50": estimate}, {}))
    return figures


def _strata(data_set: DataSet, found: ExportedDetections) -> Iterator[tuple[str, Floats, Floats, Ranges]]:
    """Kind, values of the objects and of the detections, and ranges."""
    truth, scale = data_set.objects, data_set.frames.mm_per_px
    for kind, value, ranges in (
        ("depth", truth.depth_mm, DEPTH_RANGES_MM),
        ("shadow", truth.visible_share, _SHADOWS),
        ("stage", truth.stage.astype(np.float64), _SHELLED_STAGES),
    ):
        if not np.isnan(value).all():
            yield kind, value, value_of_nearest_object(truth, found, value), ranges
    if not np.isnan(scale).all():
        true, own = (
            2 * np.sqrt(each.ellipses[:, 2] * each.ellipses[:, 3]) * scale[each.frame] for each in (truth, found)
        )
        yield "size", true, own, _DIAMETERS_MM
