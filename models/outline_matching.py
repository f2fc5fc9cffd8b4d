"""Which detected outline matches which true one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from models.ellipse import overlap

__all__ = ["match", "overlaps_ignored"]

# A detection with this overlap (intersection over union) with an ignored object was caused by it. Judgement, no source.
_MIN_IGNORED_OVERLAP = 0.3


def match(
    found: ArrayLike, true: ArrayLike, *, minimum_overlap: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Pairs of (N, 5) detected and (M, 5) true ellipses: rows, columns and their overlaps, (P,) each.

    One to one, with the largest sum of overlaps (intersection over union). Pairs below minimum_overlap are left out.
    """
    overlaps = overlap(found, true)
    rows, columns = linear_sum_assignment(-overlaps)
    good = overlaps[rows, columns] >= minimum_overlap
    return rows[good], columns[good], overlaps[rows, columns][good]


def overlaps_ignored(found: ArrayLike, ignored: ArrayLike) -> NDArray[np.bool_]:
    """(N,) whether each detected ellipse lies on one of (M, 5) ignored objects."""
    return np.asarray(overlap(found, ignored).max(axis=1, initial=0.0) >= _MIN_IGNORED_OVERLAP)
