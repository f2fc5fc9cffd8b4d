"""Which found outline answers for which true one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from models.ellipse import overlap

__all__ = ["match", "overlaps_ignored"]

# A found outline that shares this much with an ignored object was drawn because of it.
_SHARED_WITH_IGNORED = 0.3


def match(
    found: ArrayLike, true: ArrayLike, *, minimum_overlap: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Pairs of (N, 5) found and (M, 5) true ellipses: rows, columns and their overlaps, (P,) each.

    One to one, with the greatest sum of overlaps (intersection over union); pairs below minimum_overlap are none.
    """
    shared = overlap(found, true)
    rows, columns = linear_sum_assignment(-shared)
    good = shared[rows, columns] >= minimum_overlap
    return rows[good], columns[good], shared[rows, columns][good]


def overlaps_ignored(found: ArrayLike, ignored: ArrayLike) -> NDArray[np.bool_]:
    """(N,) whether each found ellipse lies on one of (M, 5) objects that count neither way."""
    return np.asarray(overlap(found, ignored).max(axis=1, initial=0.0) >= _SHARED_WITH_IGNORED)
