"""How far the probe travels out of its own scan plane, measured by the decorrelation of speckle.

Echoes of two planes a distance d apart come from scatterers that both slices share, so their correlation falls as a
Gaussian of d (Chen, Fowlkes, Carson, Rubin 1997, Int J Imaging Syst Technol 8:38, from memory; on real tissue Gee
et al. 2006, Med Image Anal 10:137, from memory). Correlations r of small patches with the same ones k frames later are

    -log r(k) = noise + (distance travelled in k frames)^2,      distance in decorrelation lengths

The machine's noise is the same for all k and cancels between two of them. A probe at an even pace reveals it, and so
each clip calibrates itself. How long the decorrelation length is in mm depends on the machine's slice thickness, which
no picture shows: on phantoms about 4 mm, and from 2 to 6. So the path has a unit of length of its own.

Speckle shows how far but not in which direction; where the probe turned back is seen in the pictures (`probe_turns`).
"""

from __future__ import annotations

from array import array
from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from pipeline.track.probe_path import ProbePath

__all__ = ["LAGS", "SpeckleDistanceEstimator", "step_distances"]

Floats = NDArray[np.float64]
Speckle = NDArray[np.float32]
Box = tuple[int, int, int, int]

LAGS = (1, 3)  # frames between two compared pictures; a lag of 2 in addition improved nothing


@dataclass(frozen=True)
class _Patches:
    """Where and how speckle is compared. px are those of the picture after thinning. Common practice, no source."""

    side_px: int = 24
    search_px: int = 6  # how far a patch may have moved within the plane
    rows: int = 6  # of patches, and as many columns, where the sector has room for them
    thinning_height_px: int = 640  # a sector this high is read at every second px, one twice as high at every third
    fine_sd_px: float = 0.8  # standard deviation of the smoothing that removes noise ...
    coarse_side_px: int = 15  # ... and side of the smoothing that removes tissue; speckle lies between
    minimum_sd: float = 1.0  # grey levels; a patch with less has nothing in it
    clear_correlation: float = 0.5  # from here on a patch was surely found where it is


@dataclass(frozen=True)
class _Decorrelation:
    """From correlations to distances. Common practice where nothing else is said, no source."""

    chance_correlation: float = 0.28  # of the best position of a patch in an unrelated picture
    minimum_correlation: float = 0.02  # in excess of chance; below it distances cannot be measured
    pace_sd_frames: float = 3.0  # standard deviation of the smoothing within which a pace hardly changes


_PATCHES, _DECORRELATION = _Patches(), _Decorrelation()


class SpeckleDistanceEstimator:
    """Measures one clip, whose frames are given in order. mask : (H, W) bool, the sector;  box : x0, y0, x1, y1"""

    def __init__(self, mask: NDArray[np.bool_], box: Box) -> None:
        self._every = 1 + (box[3] - box[1]) // _PATCHES.thinning_height_px
        self._patches = _patch_windows(mask[:: self._every, :: self._every])
        self._recent: deque[list[Speckle | None]] = deque(maxlen=max(LAGS))
        self._frames, self._rows = array("q"), array("d")

    def add_frame(self, frame: int, grey: NDArray[np.uint8]) -> None:
        """Take in the next frame. grey : (H, W)"""
        thinned = grey[:: self._every, :: self._every]
        windows = [_speckle(thinned[part]) for part in self._patches]
        correlations = [np.nan] * len(LAGS)
        shift = (np.nan, np.nan)
        for column, lag in enumerate(LAGS):
            if len(self._recent) < lag:
                continue
            pairs = zip(self._recent[-lag], windows, strict=True)
            matches = [_match(old, new) for old, new in pairs if old is not None and new is not None]
            if matches:
                correlations[column] = float(np.mean([correlation for correlation, _, _ in matches]))
            clear = [(x, y) for correlation, x, y in matches if correlation > _PATCHES.clear_correlation]
            if clear and lag == 1:
                x, y = np.median(clear, axis=0) * self._every
                shift = float(x), float(y)
        self._frames.append(frame)
        self._rows.extend([*correlations, *shift])
        self._recent.append(windows)

    def path(self) -> ProbePath | None:
        """The path of the whole clip; None where the clip is too short or the sector too small to measure it."""
        rows = np.array(self._rows).reshape(-1, len(LAGS) + 2)
        if len(rows) <= 2 * max(LAGS) or np.isnan(rows[:, : len(LAGS)]).all(axis=0).any():
            return None
        correlations = {lag: _fill_gaps(rows[lag:, column]) for column, lag in enumerate(LAGS)}
        distance = np.concatenate([[0.0], np.cumsum(step_distances(correlations))])
        shift = np.cumsum(np.nan_to_num(rows[:, len(LAGS) :]), axis=0)
        return ProbePath(np.array(self._frames, np.int64), distance, shift)


def step_distances(correlations: dict[int, Floats]) -> Floats:
    """(F - 1,) decorrelation lengths from each frame to the next.

    correlations : by lag, at least two, (F - lag,) of each frame with the frame that many later
    """
    chance = _DECORRELATION.chance_correlation
    logs = {
        lag: -np.log(np.clip((value - chance) / (1 - chance), _DECORRELATION.minimum_correlation, 1))
        for lag, value in correlations.items()
    }
    near, far = min(correlations), max(correlations)
    count = len(correlations[far])
    smooth = {
        lag: gaussian_filter1d(logs[lag], _DECORRELATION.pace_sd_frames, mode="nearest")[:count] for lag in (near, far)
    }
    noise = max(float(np.median((far**2 * smooth[near] - near**2 * smooth[far]) / (far**2 - near**2))), 0.0)
    steps = len(correlations[near]) + near - 1
    squares, weights = np.zeros(steps), np.full(steps, 1e-9)
    for lag, log in logs.items():
        square = np.maximum(log - noise, 0.0) / lag**2
        # Weighted by the effect of an error of the correlation on the square: frames that are no longer alike say
        # little.
        weight = (lag**2 * np.exp(-log)) ** 2
        for step in range(lag):
            squares[step : step + len(log)] += weight * square
            weights[step : step + len(log)] += weight
    return np.asarray(np.sqrt(squares / weights))


def _patch_windows(mask: NDArray[np.bool_]) -> list[tuple[slice, slice]]:
    # Each patch with the margin in which it is searched for, all of it within the sector.
    side = _PATCHES.side_px + 2 * _PATCHES.search_px
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    windows = []
    for y in np.linspace(rows[0], rows[-1] + 1 - side, _PATCHES.rows).round().astype(int).tolist():
        for x in np.linspace(columns[0], columns[-1] + 1 - side, _PATCHES.rows).round().astype(int).tolist():
            part = np.s_[max(y, 0) : y + side, max(x, 0) : x + side]
            if mask[part].shape == (side, side) and mask[part].all():
                windows.append(part)
    return windows


def _speckle(window: NDArray[np.uint8]) -> Speckle | None:
    """What is finer than tissue and coarser than noise; None for a window with nothing in it."""
    grey = window.astype(np.float32)
    coarse = cv2.blur(grey, (_PATCHES.coarse_side_px, _PATCHES.coarse_side_px))
    speckle = cv2.GaussianBlur(grey, (0, 0), _PATCHES.fine_sd_px) - coarse
    deviation = cv2.meanStdDev(speckle)[1][0, 0]
    return np.asarray(speckle, np.float32) if deviation >= _PATCHES.minimum_sd else None


def _match(old: Speckle, new: Speckle) -> tuple[float, float, float]:
    """Correlation of the old window's patch at its best position in the new window, and its shift in px, x and y."""
    search = _PATCHES.search_px
    patch = old[search:-search, search:-search]
    correlation = np.asarray(cv2.matchTemplate(new, patch, cv2.TM_CCOEFF_NORMED), np.float32)
    _, best, _, (x, y) = cv2.minMaxLoc(correlation)
    return best, x - search + _subpixel_peak(correlation[y], x), y - search + _subpixel_peak(correlation[:, x], y)


def _subpixel_peak(row: NDArray[np.float32], best: int) -> float:
    # The peak of a parabola through the highest value and its neighbours, from the highest value.
    if not 0 < best < len(row) - 1:
        return 0.0
    before, top, after = row[best - 1 : best + 2].tolist()
    curvature = before - 2 * top + after
    return 0.5 * (before - after) / curvature if curvature < 0 else 0.0


def _fill_gaps(values: Floats) -> Floats:
    known = np.flatnonzero(~np.isnan(values))
    return np.asarray(np.interp(np.arange(len(values)), known, values[known]))
