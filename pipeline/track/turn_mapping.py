"""Which frame of one pass shows the same place as a frame of the pass before or after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TurnMapping"]

Floats = NDArray[np.float64]

_END_FRAMES = 2.0  # frames from a clip's first or last: what is visible there goes on outside the clip


@dataclass(frozen=True)
class TurnMapping:
    """Pairs of frames that show one place, joined by straight lines and extended at their mean pace at both ends.

    outbound, returning : (P,) float64, at least two different values in each, the first ascending and the second
        descending
    """

    outbound: Floats
    returning: Floats

    @classmethod
    def at_pace(cls, turn: float, pace: float) -> TurnMapping:
        """A return at constant pace: ``pace`` frames of the return for each outbound frame."""
        return cls(np.array([turn - 1, turn]), np.array([turn + pace, turn]))

    def to_return(self, frames: ArrayLike) -> Floats:
        """The frame of the return that shows the place of each outbound frame."""
        return _interpolate(self.outbound, self.returning, frames)

    def to_outbound(self, frames: ArrayLike) -> Floats:
        """The outbound frame that shows the place of each frame of the return."""
        return _interpolate(self.returning[::-1], self.outbound[::-1], frames)

    def delay(self, first: Floats, second: Floats, low: float, high: float) -> Floats:
        """(N, M) frames by which crossings on the return come later than crossings on the way out predict.

        first : (N, 2), on the way out;  second : (M, 2), on the return; both as first and last frame of each crossing
        low, high : the clip's first and last frame. A crossing that the clip cuts off goes on outside it, so only its
        other end counts, unless it is too long already.
        """
        start_delay = second[None, :, 0] - self.to_return(first[:, 1])[:, None]
        end_delay = second[None, :, 1] - self.to_return(first[:, 0])[:, None]
        cut_before = (first[:, 0] <= low + _END_FRAMES)[:, None]
        cut_after = (second[:, 1] >= high - _END_FRAMES)[None]
        is_end_unknown = (cut_after & (end_delay < 0)) | (cut_before & (end_delay > 0))
        return np.where(is_end_unknown, start_delay, (start_delay + end_delay) / 2)


def _interpolate(x: Floats, y: Floats, at: ArrayLike) -> Floats:
    """Piecewise linear interpolation of y over ascending x, extended at the mean slope beyond both ends.

    Where x repeats (the probe stood still and several frames show one place), the mean of their y counts.
    """
    knots, index = np.unique(x, return_inverse=True)
    values = np.bincount(index, y) / np.bincount(index)
    wanted = np.asarray(at, dtype=np.float64)
    slope = (values[-1] - values[0]) / (knots[-1] - knots[0]) if len(knots) > 1 else 0.0
    beyond = np.minimum(wanted - knots[0], 0.0) + np.maximum(wanted - knots[-1], 0.0)
    return np.asarray(np.interp(wanted, knots, values) + slope * beyond)
