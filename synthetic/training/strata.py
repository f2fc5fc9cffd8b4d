"""Detection of single objects, summarised by stage, size and visible share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES

__all__ = ["MIN_VISIBLE", "ObjectTable", "StratumMetrics", "metrics_by_stratum", "ratio"]

# Objects with a smaller visible share of their outline are ignored, except in a stratum of their own.
MIN_VISIBLE = 0.5
# From this visible share on an object counts as mostly visible.
MOSTLY_VISIBLE = 0.75
SIZES_PX = {"small": (0.0, 12.0), "medium": (12.0, 24.0), "large": (24.0, np.inf)}  # geometric mean semi-axis

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ObjectTable:
    """Objects that a network should find, one row each: columns (N,) float64, NaN from stage_right on if missed.

    stage : 0 follicle, 1 thin-shelled, 2 calcified;  size_px : geometric mean semi-axis
    visible : visible share of the outline;  found, stage_right : 1 or 0;  overlap : intersection over union
    centre_mm, axis_mm, axis : error of the centre, and of the full axes (mean of both), in mm and as a share
    centre_px, log_axis : mean absolute error of the two coordinates of the centre, and of the two log semi-axes
    centre_uncertainty, axis_uncertainty : the expected values of these errors, predicted by the network
    centre_coverage, axis_coverage : share of the two errors that is within the predicted one
    """

    stage: Floats
    size_px: Floats
    visible: Floats
    found: Floats
    stage_right: Floats
    overlap: Floats
    centre_mm: Floats
    axis_mm: Floats
    axis: Floats
    centre_px: Floats
    centre_uncertainty: Floats
    centre_coverage: Floats
    log_axis: Floats
    axis_uncertainty: Floats
    axis_coverage: Floats

    @classmethod
    def concatenated(cls, tables: Sequence[ObjectTable]) -> ObjectTable:
        return cls(*(np.concatenate([getattr(table, field.name) for table in tables]) for field in fields(cls)))


@dataclass(frozen=True)
class StratumMetrics:
    """Metrics of the true objects of one stratum. A match is an overlap (intersection over union) of at least 0.5, one
    to one.

    objects : number;  found : share matched. Of the matched ones:
    stage_right : share;  overlap, centre_error_mm, axis_error_mm, axis_error : medians, of the distance of the centres
    and of the error of the full axes (mean of both), in mm and as a share
    centre_error_ratio, axis_error_ratio : mean error divided by mean predicted error; 1 if the prediction is right
    centre_coverage, axis_coverage : share of errors within the predicted one; 0.63 for a Laplace distribution
    """

    objects: int
    found: float
    stage_right: float
    overlap: float
    centre_error_mm: float
    axis_error_mm: float
    axis_error: float
    centre_error_ratio: float
    axis_error_ratio: float
    centre_coverage: float
    axis_coverage: float


def metrics_by_stratum(table: ObjectTable) -> dict[str, StratumMetrics]:
    """Metrics by stage; and for shelled objects and follicles by size and by visible share."""
    stage, size, visible = table.stage, table.size_px, table.visible
    is_visible = visible >= MIN_VISIBLE
    strata = {"all": is_visible, "shelled": is_visible & (stage > 0)}
    strata |= {name: is_visible & (stage == index) for index, name in enumerate(STAGES)}
    for kind, of_kind in (("shelled", stage > 0), ("follicle", stage == 0)):
        for name, (low, high) in SIZES_PX.items():
            strata[f"{kind}, {name}"] = is_visible & of_kind & (size >= low) & (size < high)
        strata[f"{kind}, less than half visible"] = ~is_visible & of_kind
        strata[f"{kind}, half to three quarters visible"] = is_visible & (visible < MOSTLY_VISIBLE) & of_kind
        strata[f"{kind}, more than three quarters visible"] = (visible >= MOSTLY_VISIBLE) & of_kind
    return {name: _stratum(table, rows) for name, rows in strata.items()}


def _stratum(table: ObjectTable, rows: NDArray[np.bool_]) -> StratumMetrics:
    matched = rows & (table.found == 1)

    def mean(values: Floats) -> float:
        return ratio(values[matched].sum(), matched.sum())

    def median(values: Floats) -> float:
        return float(np.median(values[matched])) if matched.any() else float("nan")

    return StratumMetrics(
        objects=int(rows.sum()),
        found=ratio(matched.sum(), rows.sum()),
        stage_right=mean(table.stage_right),
        overlap=median(table.overlap),
        centre_error_mm=median(table.centre_mm),
        axis_error_mm=median(table.axis_mm),
        axis_error=median(table.axis),
        centre_error_ratio=ratio(mean(table.centre_px), mean(table.centre_uncertainty)),
        axis_error_ratio=ratio(mean(table.log_axis), mean(table.axis_uncertainty)),
        centre_coverage=mean(table.centre_coverage),
        axis_coverage=mean(table.axis_coverage),
    )


def ratio(part: float, whole: float) -> float:
    """part / whole, NaN if whole is 0."""
    return float(part / whole) if whole else float("nan")
