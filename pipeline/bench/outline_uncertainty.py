"""Whether the detector's stated doubt of its outlines is honest."""

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
    """How well stated doubts held over matched objects. objects : those that state one;  else None.

    *_50, *_90 : shares of errors within the bounds that should hold half and nine in ten of them, for the coordinates
    of the centre and the logarithms of the semi-axes. A doubt b is the mean absolute error of a Laplace distribution
    (so it is taught, models/losses.py), in which |error| <= t b with probability 1 - exp(-t).
    *_ratio : mean absolute error over mean doubt; above 1 the detector is too sure, below 1 not sure enough
    """

    objects: int
    centre_coverage_50: float | None
    centre_coverage_90: float | None
    centre_error_ratio: float | None
    axis_coverage_50: float | None
    axis_coverage_90: float | None
    axis_error_ratio: float | None


def outline_uncertainty(matches: Matches, truth: TrueObjects, found: ExportedDetections) -> OutlineUncertainty:
    """Of all pairs whose detection states its doubt."""
    stated = ~np.isnan(found.outline_uncertainties[matches.detection_rows]).any(axis=1)
    rows, columns = matches.detection_rows[stated], matches.object_rows[stated]
    if not len(rows):
        return OutlineUncertainty(0, None, None, None, None, None, None)
    one, other = found.ellipses[rows], truth.ellipses[columns]
    centre = _held(np.abs(one[:, :2] - other[:, :2]), found.outline_uncertainties[rows, 0])
    axis = _held(np.abs(np.log(one[:, 2:4] / other[:, 2:4])), found.outline_uncertainties[rows, 1])
    return OutlineUncertainty(len(rows), *centre, *axis)


def _held(errors: NDArray[np.float64], stated: NDArray[np.float64]) -> tuple[float, float, float]:
    # errors (P, 2), stated (P,)
    bound = stated[:, None]
    half, nine_in_ten = (float((errors <= times * bound).mean()) for times in (np.log(2), np.log(10)))
    return half, nine_in_ten, float(errors.mean() / stated.mean())
