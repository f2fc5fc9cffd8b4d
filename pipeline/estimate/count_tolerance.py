"""How far a count may be off and still be right: by one shelled egg; by two follicles, or a quarter of them.

Follicles are many, small and of mixed sizes, and what is asked about them is whether there are any and about how many;
of shelled eggs every single one matters (judgement, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.track.merging.count_distribution import CountDistribution

__all__ = ["is_count_right", "probability_right"]

_EGGS = 1
_FOLLICLES, _FOLLICLE_SHARE = 2, 0.25


def is_count_right(estimate: int, true: NDArray[np.int64] | int, *, shelled: bool) -> NDArray[np.bool_]:
    """Whether the estimate is right if the true number is so many, for each of several numbers."""
    numbers = np.asarray(true)
    tolerated = _EGGS if shelled else np.maximum(_FOLLICLES, _FOLLICLE_SHARE * numbers)
    return np.asarray(np.abs(estimate - numbers) <= tolerated)


def probability_right(distribution: CountDistribution, estimate: int, *, shelled: bool) -> float:
    """The probability that the estimate is right."""
    right = is_count_right(estimate, distribution.numbers, shelled=shelled)
    return float(min(distribution.probabilities[right].sum(), 1.0))
