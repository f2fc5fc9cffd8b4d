"""Which frame of one pass shows the place that a frame of another pass shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Course"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Course:
    """Pairs of frames that show one place, joined by straight lines and carried on at their mean pace at both ends.

    there, back : (P,) float64, at least two different ones of each, the first ascending and the second descending
    """

    there: Floats
    back: Floats

    @classmethod
    def at_pace(cls, turn: float, pace: float) -> Course:
        """Back at an even pace: ``pace`` frames for each frame there."""
        return cls(np.array([turn - 1, turn]), np.array([turn + pace, turn]))

    def forth(self, frames: ArrayLike) -> Floats:
        """When what was crossed at ``frames`` comes again."""
        return _carried(self.there, self.back, frames)

    def home(self, frames: ArrayLike) -> Floats:
        """When what is crossed again at ``frames`` had come first."""
        return _carried(self.back[::-1], self.there[::-1], frames)


def _carried(given: Floats, wanted: Floats, frames: ArrayLike) -> Floats:
    # Where one hand stood still several frames show one place: the middle of them stands for all.
    places, which = np.unique(given, return_inverse=True)
    values = np.bincount(which, wanted) / np.bincount(which)
    at = np.asarray(frames, dtype=np.float64)
    pace = (values[-1] - values[0]) / (places[-1] - places[0])
    beyond = np.minimum(at - places[0], 0.0) + np.maximum(at - places[-1], 0.0)
    return np.asarray(np.interp(at, places, values) + pace * beyond)
