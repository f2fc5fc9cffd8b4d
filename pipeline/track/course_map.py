"""Frames laid out along one line by how alike they are, and where the hand may have turned on it.

A probe that goes to and fro over one place moves along a line. Geodesic distances, summed over steps between alike
frames, are distances along this line, however often it was walked; one coordinate then reproduces them (Isomap:
Tenenbaum, de Silva and Langford 2000, Science 290:2319). Which frames count as alike decides whether a return is
recognised, so several limits are tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.sparse.csgraph import shortest_path

__all__ = ["layout_along_line", "monotonic_between", "nested_turns"]

Floats = NDArray[np.float64]

_SHORTEST_STEP = 1e-6  # a step of no length would count as no step
_MAXIMUM_TURNS = 60


def layout_along_line(apart: Floats, limit: float) -> Floats:
    """(K,) coordinates of frames whose picture differences are (K, K). limit : below it two frames are alike"""
    count = len(apart)
    steps = np.where(apart < limit, np.maximum(apart, _SHORTEST_STEP), 0.0)
    # Frames that follow each other are connected, however different they are.
    row = np.arange(count - 1)
    steps[row, row + 1] = steps[row + 1, row] = np.maximum(apart[row, row + 1], _SHORTEST_STEP)
    squared = shortest_path(steps, directed=False) ** 2
    # Classical scaling: the first principal coordinate of the doubly centred squared distances.
    centred = squared - squared.mean(axis=0) - squared.mean(axis=1, keepdims=True) + squared.mean()
    values, vectors = np.linalg.eigh(-0.5 * centred)
    return np.asarray(vectors[:, -1] * np.sqrt(max(float(values[-1]), 0.0)))


def nested_turns(positions: Floats, smoothing_frames: float) -> list[tuple[int, ...]]:
    """Sets of frames at which the direction changes: all of them, and without the smallest swings one after another."""
    smooth = gaussian_filter1d(positions, smoothing_frames, mode="nearest")
    extremes = [0, len(smooth) - 1]
    for sign in (1, -1):
        extremes += _peaks(sign * smooth)
    ends = sorted(set(extremes))
    sets = []
    while True:
        ends = _alternating(smooth, ends)
        sets.append(tuple(ends[1:-1]))
        if len(ends) == 2:
            return [turns for turns in sets if len(turns) <= _MAXIMUM_TURNS]
        swings = [abs(float(smooth[b] - smooth[a])) for a, b in pairwise(ends)]
        smallest = int(np.argmin(swings))
        first = min(max(smallest, 1), len(ends) - 2)
        last = min(max(smallest + 1, 1), len(ends) - 2)
        del ends[first : last + 1]


def monotonic_between(positions: Floats, turns: Sequence[int]) -> Floats:
    """(K,) the nearest positions that rise and fall in alternation, without turning, from each turn to the next."""
    from scipy.optimize import isotonic_regression  # slow to import, and a night with nothing new needs none

    ends = (0, *turns, len(positions) - 1)
    steps = np.diff(positions[list(ends)])
    rises = bool(steps[::2].sum() >= steps[1::2].sum())  # at first
    result = positions.copy()
    for start, end in pairwise(ends):
        fitted = isotonic_regression(positions[start : end + 1], increasing=rises).x
        if start:
            # The turn belongs to both passes; it is where the further one reached.
            fitted[0] = min(fitted[0], result[start]) if rises else max(fitted[0], result[start])
        result[start : end + 1] = fitted
        rises = not rises
    return result


def _peaks(values: Floats) -> list[int]:
    """The middles of the stretches of equal values, often single ones, that are higher than what is on either side."""
    starts = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1]]))
    ends, levels = np.append(starts[1:], len(values)) - 1, values[starts]
    top = np.flatnonzero((levels[1:-1] > levels[:-2]) & (levels[1:-1] > levels[2:])) + 1
    return [int(middle) for middle in (starts[top] + ends[top]) // 2]


def _alternating(positions: Floats, ends: list[int]) -> list[int]:
    """Only those at which the direction changes, and both outer ends."""
    kept = ends[:1]
    for middle, after in pairwise(ends[1:]):
        if (positions[middle] - positions[kept[-1]]) * (positions[after] - positions[middle]) < 0:
            kept.append(middle)
    return [*kept, ends[-1]]
