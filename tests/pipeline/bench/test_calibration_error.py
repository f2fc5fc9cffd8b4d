from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.calibration_error import expected_calibration_error, reliability_bins


def test_the_example_of_torchmetrics() -> None:
    """torchmetrics 1.x, BinaryCalibrationError, norm "l1"."""
    stated, true = np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([False, False, True, True, True])
    assert expected_calibration_error(reliability_bins(stated, true, bins=2)) == pytest.approx(0.29)


def test_errors_cancel_within_a_bin_and_not_between_bins() -> None:
    true = np.array([True, False])
    assert expected_calibration_error(reliability_bins(np.array([0.55, 0.45]), true, bins=1)) == pytest.approx(0.0)
    assert expected_calibration_error(reliability_bins(np.array([0.55, 0.45]), true, bins=2)) == pytest.approx(0.45)


def test_probability_1_is_in_the_last_bin_and_no_case_has_no_error() -> None:
    assert expected_calibration_error(reliability_bins(np.array([1.0]), np.array([True]))) == 0.0
    assert expected_calibration_error(reliability_bins(np.zeros(0), np.zeros(0, dtype=bool))) is None


def test_the_error_is_the_mean_distance_of_probability_and_accuracy() -> None:
    probability = np.array([0.95, 0.95, 0.95, 0.95, 0.65, 0.65])
    is_true = np.array([True, True, True, False, True, False])
    bins = reliability_bins(probability, is_true)
    assert [(each.cases, each.accuracy) for each in bins] == [(2, 0.5), (4, 0.75)]
    assert expected_calibration_error(bins) == pytest.approx((2 * 0.15 + 4 * 0.2) / 6)
