"""Where along its way a hand was in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.turn_mapping import TurnMapping

__all__ = ["ProbePath"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ProbePath:
    """frames : (K,) int64, those that were looked at, ascending

    distance : (K,) lengths of decorrelation travelled out of the plane since the first, whichever way; never falling
    in_plane_shift_px : (K, 2) x, y by which tissue was seen to move in the plane since the first
    """

    frames: NDArray[np.int64]
    distance: Floats
    in_plane_shift_px: Floats

    def distance_at(self, frames: ArrayLike) -> Floats:
        """How far the hand had come by some frames; before the first and after the last at its mean pace."""
        return _straight(self.frames.astype(np.float64), self.distance, frames)

    def positions(self, turns: Sequence[ProbeTurn]) -> Floats:
        """(K,) places along the sweep, that of the first frame 0 and the way it went from there positive.

        turns : of the hand, in order; with each it goes back. Frames that show one place again lie at one place:
        where a turn tells which, what speckle told of the way back gives way.
        """
        places = self.distance.copy()
        for turn in turns:
            after = self.frames > turn.frame
            at_turn = float(np.interp(turn.frame, self.frames, places))
            # The way back, mirrored at the turn, and then moved to where its pictures lay on the way there.
            places[after] = 2 * at_turn - places[after]
            course = TurnMapping(turn.before, turn.after)
            again = after & (self.frames <= turn.after[0])
            there = np.interp(course.to_outbound(self.frames[again]), self.frames, places)
            end = np.flatnonzero(again)
            beyond = after & ~again
            if len(end):
                places[beyond] += there[-1] - places[end[-1]]
                places[again] = there
        return places


def _straight(given: Floats, wanted: Floats, at: ArrayLike) -> Floats:
    where = np.asarray(at, dtype=np.float64)
    pace = (wanted[-1] - wanted[0]) / max(given[-1] - given[0], 1.0)
    beyond = np.minimum(where - given[0], 0.0) + np.maximum(where - given[-1], 0.0)
    return np.asarray(np.interp(where, given, wanted) + pace * beyond)
