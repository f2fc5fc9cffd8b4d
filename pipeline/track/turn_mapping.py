"""Which frame of one pass shows the place that a frame of another pass shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TurnMapping"]

Floats = NDArray[np.float64]

_AT_THE_END = 2.0  # frames from a clip's first or last: what is seen there goes on beyond


@dataclass(frozen=True)
class TurnMapping:
    """Pairs of frames that show one place, joined by straight lines and carried on at their mean pace at both ends.

    outbound, returning : (P,) float64, at least two different ones of each, the first ascending and the second descending
    """

    outbound: Floats
    returning: Floats

    @classmethod
    def at_pace(cls, turn: float, pace: float) -> TurnMapping:
        """Back at an even pace: ``pace`` frames for each frame there."""
        return cls(np.array([turn - 1, turn]), np.array([turn + pace, turn]))

    def to_return(self, frames: ArrayLike) -> Floats:
        """When what was crossed at ``frames`` comes again."""
        return _carried(self.outbound, self.returning, frames)

    def to_outbound(self, frames: ArrayLike) -> Floats:
        """When what is crossed again at ``frames`` had come first."""
        return _carried(self.returning[::-1], self.outbound[::-1], frames)

    def delay(self, first: Floats, second: Floats, low: float, high: float) -> Floats:
        """(N, M) frames by which crossings (M, 2), each from frame to frame, come later than those (N, 2) foretell.

        low, high : the clip's first and last frame. A crossing that they cut off goes on beyond them: it tells of its
        other end alone, unless it is too long already.
        """
        begins = second[None, :, 0] - self.to_return(first[:, 1])[:, None]
        ends = second[None, :, 1] - self.to_return(first[:, 0])[:, None]
        cut_before, cut_after = (first[:, 0] <= low + _AT_THE_END)[:, None], (second[:, 1] >= high - _AT_THE_END)[None]
        untold = (cut_after & (ends < 0)) | (cut_before & (ends > 0))
        return np.where(untold, begins, (begins + ends) / 2)


def _carried(given: Floats, wanted: Floats, frames: ArrayLike) -> Floats:
    # Where one hand stood still several frames show one place: the middle of them stands for all.
    places, which = np.unique(given, return_inverse=True)
    values = np.bincount(which, wanted) / np.bincount(which)
    at = np.asarray(frames, dtype=np.float64)
    pace = (values[-1] - values[0]) / (places[-1] - places[0])
    beyond = np.minimum(at - places[0], 0.0) + np.maximum(at - places[-1], 0.0)
    return np.asarray(np.interp(at, places, values) + pace * beyond)
