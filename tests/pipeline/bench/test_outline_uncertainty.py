"""Stated doubt against errors drawn from the law that it claims, and from others."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects
from pipeline.bench.outline_uncertainty import OutlineUncertainty, outline_uncertainty

PAIRS = 20_000


def judged(*, errors: float, stated: float, silent: int = 0) -> OutlineUncertainty:
    """Laplace errors of the given mean absolute size, in px and as a hundredth in log axes; the same stated."""
    rng = np.random.default_rng(3)
    true = np.tile([50.0, 50.0, 20.0, 10.0, 0.0], (PAIRS, 1))
    found = true.copy()
    found[:, :2] += rng.laplace(0, errors, (PAIRS, 2))
    found[:, 2:4] *= np.exp(rng.laplace(0, errors / 100, (PAIRS, 2)))
    outline_uncertainties = np.tile([stated, stated / 100], (PAIRS, 1))
    outline_uncertainties[:silent] = np.nan
    rows, none, stage = np.arange(PAIRS), np.zeros(PAIRS), np.full(PAIRS, 3)
    marked = np.zeros(PAIRS, dtype=bool)
    return outline_uncertainty(
        Matches(rows, rows, marked, none, none),
        TrueObjects(rows, true, true[:, :4], none, stage, marked, none, none, rows),
        ExportedDetections(rows, found, found[:, :4], stage, none, rows, rows, outline_uncertainties, PAIRS),
    )


def test_honest_doubt_holds_half_and_nine_in_ten() -> None:
    """|error| of a Laplace distribution has median b ln 2 and ninetieth percentile b ln 10 (its distribution function,
    1 - exp(-t / b))."""
    value = judged(errors=1.5, stated=1.5)
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


def test_a_detector_too_sure_of_itself_is_found_out() -> None:
    value = judged(errors=3.0, stated=1.5)
    assert value.centre_coverage_50 == pytest.approx(1 - 2**-0.5, abs=0.01)
    assert value.axis_coverage_90 == pytest.approx(1 - 10**-0.5, abs=0.01)
    assert value.axis_error_ratio == pytest.approx(2, abs=0.04)


def test_only_those_that_state_a_doubt_are_asked() -> None:
    assert judged(errors=1.0, stated=1.0, silent=PAIRS - 10).objects == 10
    assert judged(errors=1.0, stated=1.0, silent=PAIRS) == OutlineUncertainty(0, None, None, None, None, None, None)
