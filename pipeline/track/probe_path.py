"""How far along its path the probe was in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.turn_mapping import TurnMapping

__all__ = ["ProbePath"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ProbePath:
    """frames : (K,) int64, those that were measured, ascending

    distance : (K,) decorrelation lengths travelled out of the plane since the first, in either direction; never falling
    in_plane_shift_px : (K, 2) x, y by which tissue moved within the plane since the first
    """

    frames: NDArray[np.int64]
    distance: Floats
    in_plane_shift_px: Floats

    def positions(self, turns: Sequence[ProbeTurn]) -> Floats:
        """(K,) positions along the sweep: 0 in the first frame, positive in the direction in which the probe set out.

        turns : of the probe, in order; at each it reverses. Frames that show the same place get the same position:
        where a turn says which frames these are, that replaces the distance that speckle measured on the way back.
        """
        positions = self.distance.copy()
        for turn in turns:
            after = self.frames > turn.frame
            at_turn = float(np.interp(turn.frame, self.frames, positions))
            # The way back is mirrored at the turn first, and then moved to where its pictures lay on the way out.
            positions[after] = 2 * at_turn - positions[after]
            mapping = TurnMapping(turn.before, turn.after)
            seen_again = after & (self.frames <= turn.after[0])
            outbound = np.interp(mapping.to_outbound(self.frames[seen_again]), self.frames, positions)
            rows = np.flatnonzero(seen_again)
            if len(rows):
                later = after & ~seen_again
                positions[later] += outbound[-1] - positions[rows[-1]]
                positions[seen_again] = outbound
        return positions
