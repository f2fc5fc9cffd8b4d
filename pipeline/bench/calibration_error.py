"""Whether a stated probability is one: how far it is from how often things come true."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["expected_calibration_error"]


def expected_calibration_error(stated: NDArray[np.float64], true: NDArray[np.bool_], *, bins: int = 10) -> float | None:
    """Mean distance between stated probabilities (N,) and shares that came true (N,), over equal ranges of the former.

    Each of the ``bins`` ranges of [0, 1] counts by how many fall into it. Few cases make it too large: where all is
    well, n cases of a range are still off by about 0.8 sqrt(p (1 - p) / n). None without a case.
    """
    if not len(stated):
        return None
    place = np.minimum((stated * bins).astype(np.int64), bins - 1)
    number = np.bincount(place, minlength=bins)
    off = np.abs(np.bincount(place, weights=stated - true, minlength=bins))
    return float(off.sum() / number.sum())
