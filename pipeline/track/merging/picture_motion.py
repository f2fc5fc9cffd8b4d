"""How far the whole picture moved while an object was out of sight: what is seen before and after the gap tells.

A hand that tilts or slides along its own plane moves everything alike, by a shift and a small turn. Where an object
comes back is then foretold by the others that stayed in view.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.track.tracks import Track

__all__ = ["PictureMotion"]

Floats = NDArray[np.float64]

# Of the typical mean semi-axis: how exactly a section's middle shows its object, and how far a picture may have moved;
# and by how much it may have turned, radians.
_EXACT_SHARE, _FAR_SHARE, _TURN = 0.15, 1.5, 0.2


class PictureMotion:
    """Movement of the picture within one clip, told by its tracks.

    size_px : typical mean semi-axis
    """

    def __init__(self, tracks: Sequence[Track], size_px: float) -> None:
        self._tracks = tracks
        self._first = np.array([track.frames[0] for track in tracks])
        self._last = np.array([track.frames[-1] for track in tracks])
        self._size = size_px

    def displacement(self, first: int, second: int, place: Floats) -> Floats:
        """(2,) px by which what lay at ``place`` (2,) in one frame has moved in a later one; 0 where nothing tells.

        The most likely shift and small turn: what stayed in view is weighed against that pictures mostly stay.
        """
        stayed = np.flatnonzero((self._first <= first) & (self._last >= second))
        if not len(stayed):
            return np.zeros(2)
        before, after = (np.stack([self._at(int(k), frame) for k in stayed]) for frame in (first, second))
        # Of a turn by t about ``place``, (x, y) from there moves by t (-y, x); in units of the size, to weigh it alike.
        away = (before - place) / self._size
        design = np.zeros((len(stayed), 2, 3))
        design[:, 0, 0] = design[:, 1, 1] = 1
        design[:, 0, 2], design[:, 1, 2] = -away[:, 1], away[:, 0]
        rows, moved = design.reshape(-1, 3), (after - before).reshape(-1)
        doubt = np.diag([_EXACT_SHARE / _FAR_SHARE, _EXACT_SHARE / _FAR_SHARE, _EXACT_SHARE / _TURN]) ** 2
        return np.asarray(np.linalg.solve(rows.T @ rows + doubt, rows.T @ moved)[:2])

    def _at(self, track: int, frame: int) -> Floats:
        one = self._tracks[track]
        return np.array([np.interp(frame, one.frames, one.ellipses[:, axis]) for axis in (0, 1)])
