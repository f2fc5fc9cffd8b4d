"""Whether the detector predicts the errors of its outlines well."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects

__all__ = ["OutlineUncertainty", "outline_uncertainty"]


@dataclass(frozen=True)
class OutlineUncertainty:
    """How well predicted errors agree with real ones, over matched objects; None without an object.

    objects : number of matched objects with a predicted error
    *_coverage_50, *_coverage_90 : shares of errors within the predicted 50 % and 90 % bounds, for the coordinates of
    the centre and for the logarithms of the semi-axes. A predicted error b is the mean absolute error of a Laplace
    distribution, as in training (models/losses.py), in which |error| <= t b with probability 1 - exp(-t).
    *_error_ratio : mean absolute error divided by mean predicted error; above 1 the detector is overconfident
    """

    objects: int
    centre_coverage_50: float | None
    centre_coverage_90: float | None
    centre_error_ratio: float | None
    axis_coverage_50: float | None
    axis_coverage_90: float | None
    axis_error_ratio: float | None


def outline_uncertainty(matches: Matches, truth: TrueObjects, found: ExportedDetections) -> OutlineUncertainty:
    """The metrics of all matches whose detection has a predicted error."""
    is_predicted = ~np.isnan(found.outline_uncertainties[matches.detection_rows]).any(axis=1)
    rows, columns = matches.detection_rows[is_predicted], matches.object_rows[is_predicted]
    if not len(rows):
        return OutlineUncertainty(0, None, None, None, None, None, None)
    found_ellipses, true_ellipses = found.ellipses[rows], truth.ellipses[columns]
    centre = _coverage_and_ratio(
        np.abs(found_ellipses[:, :2] - true_ellipses[:, :2]), found.outline_uncertainties[rows, 0]
    )
    axis = _coverage_and_ratio(
        np.abs(np.log(found_ellipses[:, 2:4] / true_ellipses[:, 2:4])), found.outline_uncertainties[rows, 1]
    )
    return OutlineUncertainty(len(rows), *centre, *axis)


def _coverage_and_ratio(errors: NDArray[np.float64], predicted: NDArray[np.float64]) -> tuple[float, float, float]:
    """Coverage of the 50 % and 90 % bounds, and the error ratio. errors : (P, 2);  predicted : (P,)"""
    # 1 - exp(-t) is 0.5 at t = ln 2 and 0.9 at t = ln 10.
    coverage_50, coverage_90 = (float((errors <= t * predicted[:, None]).mean()) for t in (np.log(2), np.log(10)))
    return coverage_50, coverage_90, float(errors.mean() / predicted.mean())
