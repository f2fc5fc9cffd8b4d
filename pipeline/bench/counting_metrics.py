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
        objects, or the method lists none
    baselines : simpler ways to count, by name, from the same listings
    risk : whether flags and confidence find the wrong results
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
    found: ExportedDetections | None,
    results: Sequence[Mapping[str, Any]],
    animals: Sequence[CountComparison],
) -> CountingMetrics:
    """The metrics of one method.

    found : None where the method gives none
    results : the ``result.json`` of each animal, none of a method that lists no eggs
    animals : truth and count of each
    """
    listed = None if found is None or not results else found
    crossed = {row.animal: row.crossed for row in animals}
    return CountingMetrics(
        counts=count_metrics(animals),
        by_clutch=count_metrics_by_clutch(animals),
        follicles=follicle_metrics(animals, results),
        shelled_errors=None if listed is None else count_errors(data_set, listed, results, shelled=True),
        follicle_errors=None if listed is None else count_errors(data_set, listed, results, shelled=False),
        baselines={} if listed is None else baseline_counts(listed, data_set.frames, results, crossed),
        risk=risk_coverage(animals),
    )
