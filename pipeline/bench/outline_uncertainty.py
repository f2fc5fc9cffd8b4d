"""Whether the detector's stated doubt of its outlines is honest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.detection_matching import Matches
from pipeline.bench.exported_detections import FoundObjects
from pipeline.bench.ground_truth import TrueObjects

__all__ = ["Doubt", "doubt"]


@dataclass(frozen=True)
class Doubt:
    """How well stated doubts held over matched objects. objects : those that state one;  else None.

    *_50, *_90 : shares of errors within the bounds that should hold half and nine in ten of them, for the coordinates
    of the centre and the logarithms of the semi-axes. A doubt b is the mean absolute error of a Laplace distribution
    (so it is taught, models/losses.py), in which |error| <= t b with probability 1 - exp(-t).
    *_ratio : mean absolute error over mean doubt; above 1 the detector is too sure, below 1 not sure enough
    """

    objects: int
    centre_50: float | None
    centre_90: float | None
    centre_ratio: float | None
    axis_50: float | None
    axis_90: float | None
    axis_ratio: float | None


def doubt(matches: Matches, truth: TrueObjects, found: FoundObjects) -> Doubt:
    """Of all pairs whose detection states its doubt."""
    stated = ~np.isnan(found.spreads[matches.found]).any(axis=1)
    rows, columns = matches.found[stated], matches.true[stated]
    if not len(rows):
        return Doubt(0, None, None, None, None, None, None)
    one, other = found.ellipses[rows], truth.ellipses[columns]
    centre = _held(np.abs(one[:, :2] - other[:, :2]), found.spreads[rows, 0])
    axis = _held(np.abs(np.log(one[:, 2:4] / other[:, 2:4])), found.spreads[rows, 1])
    return Doubt(len(rows), *centre, *axis)


def _held(errors: NDArray[np.float64], stated: NDArray[np.float64]) -> tuple[float, float, float]:
    # errors (P, 2), stated (P,)
    bound = stated[:, None]
    half, nine_in_ten = (float((errors <= times * bound).mean()) for times in (np.log(2), np.log(10)))
    return half, nine_in_ten, float(errors.mean() / stated.mean())
