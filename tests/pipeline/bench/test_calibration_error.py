from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.calibration_error import expected_calibration_error


def test_the_example_of_torchmetrics() -> None:
    # torchmetrics 1.x, BinaryCalibrationError, norm "l1".
    stated, true = np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([False, False, True, True, True])
    assert expected_calibration_error(stated, true, bins=2) == pytest.approx(0.29)


def test_errors_of_one_range_cancel_and_of_two_do_not() -> None:
    true = np.array([True, False])
    assert expected_calibration_error(np.array([0.55, 0.45]), true, bins=1) == pytest.approx(0.0)
    assert expected_calibration_error(np.array([0.55, 0.45]), true, bins=2) == pytest.approx(0.45)


def test_certainty_belongs_to_the_last_range_and_nothing_has_no_error() -> None:
    assert expected_calibration_error(np.array([1.0]), np.array([True])) == 0.0
    assert expected_calibration_error(np.zeros(0), np.zeros(0, dtype=bool)) is None
