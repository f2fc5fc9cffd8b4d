"""What was found of single objects, summed up by stage, size and share in sight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import STAGES

__all__ = ["COLUMNS", "MIN_VISIBLE", "StratumMetrics", "metrics_by_stratum", "ratio"]

# Less than this share of the outline in sight, and an object counts neither way but in its own stratum.
MIN_VISIBLE = 0.5

SIZES_PX = {"small": (0.0, 12.0), "medium": (12.0, 24.0), "large": (24.0, np.inf)}  # geometric mean semi-axis

# What is known of an object that was to be found; from stage_right on NaN where it was missed.
COLUMNS = (
    *("stage", "size_px", "visible", "found", "stage_right", "overlap", "centre_mm", "axis_mm", "axis"),
    *("centre_px", "centre_uncertainty", "centre_coverage", "log_axis", "axis_uncertainty", "axis_coverage"),
)


@dataclass(frozen=True)
class StratumMetrics:
    """Of true objects of one kind. A match is an overlap (intersection over union) of at least 0.5, one to one.

    objects : number;  found : share matched. Of the matched ones:
    stage_right : share;  overlap, centre_error_mm, axis_error_mm, axis_error : medians; of an object the distance of
    the middles, and the error of the full axes, mean of both, in mm and as a share
    centre_error_ratio, axis_error_ratio : mean error over mean stated error, 1 where doubt is as large as the errors
    centre_coverage, axis_coverage : share of errors within the stated one; 0.63 for errors of a Laplace distribution
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


def metrics_by_stratum(rows: NDArray[np.float64]) -> dict[str, StratumMetrics]:
    """Figures of (N, len(COLUMNS)) objects by stage, and of both kinds by size and by the share in sight."""
    table = dict(zip(COLUMNS, rows.T, strict=True))
    stage, size, visible = table["stage"], table["size_px"], table["visible"]
    seen = visible >= MIN_VISIBLE
    chosen = {"all": seen, "shelled": seen & (stage > 0)}
    chosen |= {name: seen & (stage == index) for index, name in enumerate(STAGES)}
    for kind, of_kind in (("shelled", stage > 0), ("follicle", stage == 0)):
        for name, (low, high) in SIZES_PX.items():
            chosen[f"{kind}, {name}"] = seen & of_kind & (size >= low) & (size < high)
        chosen[f"{kind}, less than half in sight"] = ~seen & of_kind
        chosen[f"{kind}, half to three quarters in sight"] = seen & (visible < 0.75) & of_kind
        chosen[f"{kind}, more than three quarters in sight"] = (visible >= 0.75) & of_kind
    return {name: _stratum(table, mask) for name, mask in chosen.items()}


def _stratum(table: dict[str, NDArray[np.float64]], mask: NDArray[np.bool_]) -> StratumMetrics:
    matched = mask & (table["found"] == 1)

    def mean(name: str) -> float:
        return ratio(table[name][matched].sum(), matched.sum())

    def median(name: str) -> float:
        return float(np.median(table[name][matched])) if matched.any() else float("nan")

    return StratumMetrics(
        objects=int(mask.sum()),
        found=ratio(matched.sum(), mask.sum()),
        stage_right=mean("stage_right"),
        overlap=median("overlap"),
        centre_error_mm=median("centre_mm"),
        axis_error_mm=median("axis_mm"),
        axis_error=median("axis"),
        centre_error_ratio=ratio(mean("centre_px"), mean("centre_uncertainty")),
        axis_error_ratio=ratio(mean("log_axis"), mean("axis_uncertainty")),
        centre_coverage=mean("centre_coverage"),
        axis_coverage=mean("axis_coverage"),
    )


def ratio(part: float, whole: float) -> float:
    """NaN of nothing."""
    return float(part / whole) if whole else float("nan")
