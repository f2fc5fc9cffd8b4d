"""Expected calibration error: how far stated probabilities are from how often they come true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ReliabilityBin", "expected_calibration_error", "reliability_bins"]

_BINS = 10  # as in Naeini et al., AAAI 2015


@dataclass(frozen=True)
class ReliabilityBin:
    """The cases whose stated probability lies in one range of 0 to 1.

    mean_probability : as stated;  accuracy : the share of cases that came true
    """

    cases: int
    mean_probability: float
    accuracy: float


def reliability_bins(
    probability: NDArray[np.float64], is_true: NDArray[np.bool_], *, bins: int = _BINS
) -> tuple[ReliabilityBin, ...]:
    """The bins of a reliability diagram, by probability from 0 to 1. Empty bins are left out.

    probability : (N,) as stated;  is_true : (N,) whether it came true;  bins : number of ranges of equal width
    """
    indices = np.minimum((probability * bins).astype(np.int64), bins - 1)
    return tuple(
        ReliabilityBin(int(inside.sum()), float(probability[inside].mean()), float(is_true[inside].mean()))
        for inside in (indices == index for index in range(bins))
        if inside.any()
    )


def expected_calibration_error(bins: Sequence[ReliabilityBin]) -> float | None:
    """The mean distance of stated probability and accuracy, each bin weighted by its cases; None without a case
    (Naeini et al., AAAI 2015).

    It is too large for few cases: even where the probabilities are right, a bin with n cases is off by about
    0.8 sqrt(p (1 - p) / n).
    """
    cases = sum(each.cases for each in bins)
    if not cases:
        return None
    return sum(each.cases * abs(each.mean_probability - each.accuracy) for each in bins) / cases
