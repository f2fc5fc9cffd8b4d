"""How far the whole picture moved while an object was out of sight, estimated from the objects that stayed in view.

A probe that tilts or slides within its own plane moves everything alike, by a shift and a small rotation. The objects
that stayed in view therefore predict where another one reappears.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.track.tracks import Track

__all__ = ["PictureMotion"]

Floats = NDArray[np.float64]

# Standard deviations (common practice, no source): of a section's centre around its object and of a picture's shift,
# both as a share of the typical mean semi-axis, and of a picture's rotation, radians.
_CENTRE_SD, _SHIFT_SD, _ROTATION_SD = 0.15, 1.5, 0.2


class PictureMotion:
    """Movement of the picture within one clip, estimated from its tracks. size_px : typical mean semi-axis"""

    def __init__(self, tracks: Sequence[Track], size_px: float) -> None:
        self._tracks = tracks
        self._first = np.array([track.frames[0] for track in tracks])
        self._last = np.array([track.frames[-1] for track in tracks])
        self._size = size_px

    def displacement(self, first: int, second: int, point: Floats) -> Floats:
        """(2,) px by which what lay at ``point`` (2,) in one frame has moved in a later one; 0 where nothing shows it.

        The most likely shift and small rotation, given the tracks that stayed in view and a prior for little movement.
        """
        stayed = np.flatnonzero((self._first <= first) & (self._last >= second))
        if not len(stayed):
            return np.zeros(2)
        before, after = (np.stack([self._centre(int(k), frame) for k in stayed]) for frame in (first, second))
        # A rotation by t about ``point`` moves (x, y) from there by t (-y, x); in units of the size, like the shift.
        x, y = ((before - point) / self._size).T
        design = np.zeros((len(stayed), 2, 3))  # unknowns: shift x, shift y, rotation
        design[:, 0, 0] = design[:, 1, 1] = 1
        design[:, 0, 2], design[:, 1, 2] = -y, x
        rows, moved = design.reshape(-1, 3), (after - before).reshape(-1)
        prior = np.diag([_CENTRE_SD / _SHIFT_SD, _CENTRE_SD / _SHIFT_SD, _CENTRE_SD / _ROTATION_SD]) ** 2
        return np.asarray(np.linalg.solve(rows.T @ rows + prior, rows.T @ moved)[:2])

    def _centre(self, track: int, frame: int) -> Floats:
        one = self._tracks[track]
        return np.array([np.interp(frame, one.frames, one.ellipses[:, axis]) for axis in (0, 1)])
