"""How far what a method says of itself can be trusted: its order of review, and its confidence in counts."""

from __future__ import annotations

import numpy as np

from pipeline.bench.calibration_error import ReliabilityBin, reliability_bins
from pipeline.bench.count_comparison import CountComparison, compare_counts
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.risk_coverage import RiskCoverage, risk_coverage

__all__ = ["count_reliability", "review_of_counts"]

_TOLERATED_ERROR = 1  # eggs; the confidence is that of a count within one


def review_of_counts(data_set: DataSet, results: MethodResults) -> RiskCoverage | None:
    """Selective review by the order that the method gives; None for one that states no stage or no confidence."""
    rows = [row for row in _rows(data_set, results) if row.stage is not None and row.confidence is not None]
    return risk_coverage(rows) if rows else None


def count_reliability(data_set: DataSet, results: MethodResults) -> tuple[ReliabilityBin, ...]:
    """The bins of a reliability diagram of the counts of shelled eggs; none without a stated confidence."""
    pairs = [
        (row.confidence, abs(row.estimate - row.crossed) <= _TOLERATED_ERROR)
        for row in _rows(data_set, results)
        if row.confidence is not None and row.estimate is not None
    ]
    return reliability_bins(
        np.array([confidence for confidence, _ in pairs], dtype=np.float64),
        np.array([is_right for _, is_right in pairs], dtype=bool),
    )


def _rows(data_set: DataSet, results: MethodResults) -> list[CountComparison]:
    return compare_counts(data_set.animals, results.counts or {})
