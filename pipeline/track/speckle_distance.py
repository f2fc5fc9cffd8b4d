"""How far a hand travels through its own scan plane, read off speckle that ceases to be alike.

Echoes of two planes a distance d apart come from scatterers that both slices share, so what is alike in them falls as a
Gaussian of d does (Chen, Fowlkes, Carson, Rubin 1997, Int J Imaging Syst Technol 8:38, from memory; on real tissue Gee
et al. 2006, Med Image Anal 10:137, from memory). Correlations r of small patches with the same ones k frames later are

    -log r(k) = noise + (distance travelled in k frames)^2,      distance in lengths of decorrelation

Noise of a machine is alike for all k and cancels between two of them; a probe at an even pace tells it, and so each
clip calibrates itself. How long the length of decorrelation is in mm the machine's slice decides, which no picture
tells: on phantoms about 4 mm, and from 2 to 6. Hence the path has a length of its own as its unit.

Speckle tells how far and not which way; that the hand turned, the pictures tell (`turns`).
"""

from __future__ import annotations

from array import array
from collections import deque

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from pipeline.track.probe_path import ProbePath

__all__ = ["SpeckleDistanceEstimator", "step_distances"]

Floats = NDArray[np.float64]
Speckle = NDArray[np.float32]
Box = tuple[int, int, int, int]

LAGS = (1, 3)  # frames; a second one between them taught nothing
_PATCH, _SEARCH = 24, 6  # px: side, and how far it may have moved in the plane
_ROWS = 6  # of patches, and columns, where the sector has them
_TALL = 640  # px; sectors of this height and more are read at every second px, of twice this at every third
_FINEST, _COARSEST = 0.8, 15  # px: deviation and side of the smoothings between which speckle lies
_FAINTEST = 1.0  # grey levels, deviation of a patch that has nothing in it
_BY_CHANCE = 0.28  # correlation of the best place for a patch in a picture that has nothing to do with it
_CLEAR = 0.5  # from which a patch is surely where it was found
_LEAST = 0.02  # of what is beyond chance: no more can be told of what is further away
_STEADY = 3.0  # frames over which a hand's pace hardly changes


class SpeckleDistanceEstimator:
    """Of one clip, its frames given in order. mask : (H, W) bool, the sector;  box : x0, y0, x1, y1 around it"""

    def __init__(self, mask: NDArray[np.bool_], box: Box) -> None:
        self._every = 1 + (box[3] - box[1]) // _TALL
        self._patches = _patches(mask[:: self._every, :: self._every])
        self._shown: deque[list[Speckle | None]] = deque(maxlen=max(LAGS))
        self._frames, self._rows = array("q"), array("d")

    def add_frame(self, frame: int, grey: NDArray[np.uint8]) -> None:
        """The next frame. grey : (H, W)"""
        coarse = grey[:: self._every, :: self._every]
        windows = [_speckle(coarse[part]) for part in self._patches]
        alike = [np.nan] * len(LAGS)
        shift = (np.nan, np.nan)
        for place, lag in enumerate(LAGS):
            if len(self._shown) >= lag:
                pairs = zip(self._shown[-lag], windows, strict=True)
                seen = [_found(old, new) for old, new in pairs if old is not None and new is not None]
                if seen:
                    alike[place] = float(np.mean([likeness for likeness, _, _ in seen]))
                clear = [(x, y) for likeness, x, y in seen if likeness > _CLEAR]
                if clear and lag == 1:
                    x, y = np.median(clear, axis=0) * self._every
                    shift = float(x), float(y)
        self._frames.append(frame)
        self._rows.extend([*alike, *shift])
        self._shown.append(windows)

    def path(self) -> ProbePath | None:
        """None of a clip too short, or a sector too small, to tell."""
        rows = np.array(self._rows).reshape(-1, len(LAGS) + 2)
        if len(rows) <= 2 * max(LAGS) or np.isnan(rows[:, : len(LAGS)]).all(axis=0).any():
            return None
        alike = {lag: _filled(rows[lag:, place]) for place, lag in enumerate(LAGS)}
        along = np.concatenate([[0.0], np.cumsum(step_distances(alike))])
        shift = np.cumsum(np.nan_to_num(rows[:, len(LAGS) :]), axis=0)
        return ProbePath(np.array(self._frames, np.int64), along, shift)


def step_distances(alike: dict[int, Floats]) -> Floats:
    """(F - 1,) lengths of decorrelation from each frame to the next.

    alike : by lag, two at least, (F - lag,) correlations of each frame with that so many later
    """
    logs = {lag: -np.log(np.clip((value - _BY_CHANCE) / (1 - _BY_CHANCE), _LEAST, 1)) for lag, value in alike.items()}
    near, far = min(alike), max(alike)
    count = len(alike[far])
    even = {lag: gaussian_filter1d(logs[lag], _STEADY, mode="nearest")[:count] for lag in (near, far)}
    noise = max(float(np.median((far**2 * even[near] - near**2 * even[far]) / (far**2 - near**2))), 0.0)
    steps = len(alike[near]) + near - 1
    squares, weights = np.zeros(steps), np.full(steps, 1e-9)
    for lag, log in logs.items():
        square = np.maximum(log - noise, 0.0) / lag**2
        # By what an error of the correlation does to the square: little is told of what is no longer alike.
        weight = (lag**2 * np.exp(-log)) ** 2
        for step in range(lag):
            squares[step : step + len(log)] += weight * square
            weights[step : step + len(log)] += weight
    return np.asarray(np.sqrt(squares / weights))


def _patches(mask: NDArray[np.bool_]) -> list[tuple[slice, slice]]:
    # With room around each to be looked for in, all of it in the sector.
    side = _PATCH + 2 * _SEARCH
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    found = []
    for y in np.linspace(rows[0], rows[-1] + 1 - side, _ROWS).round().astype(int).tolist():
        for x in np.linspace(columns[0], columns[-1] + 1 - side, _ROWS).round().astype(int).tolist():
            part = np.s_[max(y, 0) : y + side, max(x, 0) : x + side]
            if mask[part].shape == (side, side) and mask[part].all():
                found.append(part)
    return found


def _speckle(window: NDArray[np.uint8]) -> Speckle | None:
    """What is finer than tissue and coarser than noise; None of a window with nothing in it."""
    grey = window.astype(np.float32)
    speckle = cv2.GaussianBlur(grey, (0, 0), _FINEST) - cv2.blur(grey, (_COARSEST, _COARSEST))
    deviation = cv2.meanStdDev(speckle)[1][0, 0]
    return np.asarray(speckle, np.float32) if deviation >= _FAINTEST else None


def _found(old: Speckle, new: Speckle) -> tuple[float, float, float]:
    """How alike a patch's middle is to the best place for it, and the px to there, x and y."""
    middle = old[_SEARCH:-_SEARCH, _SEARCH:-_SEARCH]
    likeness = np.asarray(cv2.matchTemplate(new, middle, cv2.TM_CCOEFF_NORMED), np.float32)
    _, best, _, (x, y) = cv2.minMaxLoc(likeness)
    return best, x - _SEARCH + _between(likeness[y], x), y - _SEARCH + _between(likeness[:, x], y)


def _between(row: NDArray[np.float32], best: int) -> float:
    # The top of a parabola through the highest value and its neighbours.
    if not 0 < best < len(row) - 1:
        return 0.0
    before, top, after = row[best - 1 : best + 2].tolist()
    bend = before - 2 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _filled(values: Floats) -> Floats:
    known = np.flatnonzero(~np.isnan(values))
    return np.asarray(np.interp(np.arange(len(values)), known, values[known]))
