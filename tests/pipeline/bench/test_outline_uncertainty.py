"""Predicted errors against errors drawn from the predicted distribution, and from others."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects
from pipeline.bench.outline_uncertainty import OutlineUncertainty, outline_uncertainty

PAIRS = 20_000


def measure(*, errors: float, predicted: float, unknown: int = 0) -> OutlineUncertainty:
    """Laplace errors with the given mean absolute value, in px, and a hundredth of it in log axes."""
    rng = np.random.default_rng(3)
    true = np.tile([50.0, 50.0, 20.0, 10.0, 0.0], (PAIRS, 1))
    found = true.copy()
    found[:, :2] += rng.laplace(0, errors, (PAIRS, 2))
    found[:, 2:4] *= np.exp(rng.laplace(0, errors / 100, (PAIRS, 2)))
    outline_uncertainties = np.tile([predicted, predicted / 100], (PAIRS, 1))
    outline_uncertainties[:unknown] = np.nan
    rows, none, stage = np.arange(PAIRS), np.zeros(PAIRS), np.full(PAIRS, 2)
    marked = np.zeros(PAIRS, dtype=bool)
    return outline_uncertainty(
        Matches(rows, rows, marked, none, none),
        TrueObjects(rows, true, true[:, :4], none, stage, marked, none, none, rows),
        ExportedDetections(rows, found, found[:, :4], stage, none, none, rows, rows, outline_uncertainties, PAIRS),
    )


def test_right_predictions_have_a_coverage_of_50_and_90_percent() -> None:
    """|error| of a Laplace distribution has the median b ln 2 and the 90th percentile b ln 10, since its distribution
    function is 1 - exp(-t / b).
    """
    value = measure(errors=1.5, predicted=1.5)
    assert value.objects == PAIRS
    assert (value.centre_coverage_50, value.axis_coverage_50) == (
        pytest.approx(0.5, abs=0.01),
        pytest.approx(0.5, abs=0.01),
    )
    assert (value.centre_coverage_90, value.axis_coverage_90) == (
        pytest.approx(0.9, abs=0.01),
        pytest.approx(0.9, abs=0.01),
    )
    assert (value.centre_error_ratio, value.axis_error_ratio) == (
        pytest.approx(1, abs=0.02),
        pytest.approx(1, abs=0.02),
    )


def test_an_overconfident_detector_has_a_low_coverage() -> None:
    value = measure(errors=3.0, predicted=1.5)
    assert value.centre_coverage_50 == pytest.approx(1 - 2**-0.5, abs=0.01)
    assert value.axis_coverage_90 == pytest.approx(1 - 10**-0.5, abs=0.01)
    assert value.axis_error_ratio == pytest.approx(2, abs=0.04)


def test_detections_without_a_predicted_error_are_left_out() -> None:
    assert measure(errors=1.0, predicted=1.0, unknown=PAIRS - 10).objects == 10
    assert measure(errors=1.0, predicted=1.0, unknown=PAIRS) == OutlineUncertainty(
        0, None, None, None, None, None, None
    )
