"""All metrics of the counts of one data set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.bench.baseline_counts import BaselineMetrics, baseline_counts
from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.count_errors import CountErrors, count_errors
from pipeline.bench.count_metrics import CountMetrics, count_metrics, count_metrics_by_clutch
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.follicle_counts import FollicleMetrics, follicle_metrics
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.risk_coverage import RiskCoverage, risk_coverage

__all__ = ["CountingMetrics", "counting_metrics"]


@dataclass(frozen=True)
class CountingMetrics:
    """Counts per animal.

    counts : estimated against crossed eggs;  by_clutch : the same by the number of eggs crossed
    follicles : how follicles are counted
    shelled_errors, follicle_errors : listed twice, two under one and so on; None where the data set does not identify
        objects
    baselines : simpler ways to count, by name;  risk : whether flags and confidence find the wrong results
    """

    counts: CountMetrics
    by_clutch: dict[str, CountMetrics]
    follicles: FollicleMetrics
    shelled_errors: CountErrors | None
    follicle_errors: CountErrors | None
    baselines: dict[str, BaselineMetrics]
    risk: RiskCoverage


def counting_metrics(
    data_set: DataSet,
    found: ExportedDetections,
    results: Sequence[Mapping[str, Any]],
    animals: Sequence[CountComparison],
) -> CountingMetrics:
    """The metrics of one batch. results : the ``result.json`` of each animal;  animals : truth and count of each"""
    return CountingMetrics(
        counts=count_metrics(animals),
        by_clutch=count_metrics_by_clutch(animals),
        follicles=follicle_metrics(animals, results),
        shelled_errors=count_errors(data_set, found, results, shelled=True),
        follicle_errors=count_errors(data_set, found, results, shelled=False),
        baselines=baseline_counts(found, data_set.frames, results, {row.animal: row.crossed for row in animals}),
        risk=risk_coverage(animals),
    )
