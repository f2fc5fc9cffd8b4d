"""A linear probe's rectangle, or the parallelogram that it becomes where the beams are steered.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.echoes import unlit_costs

__all__ = ["Slab", "fit_slab"]

# Cells along the picture's longer side on which all boxes are compared.
COARSE = 80
# Tangents of the beams' angles that are tried, to either side; and what the first of them costs, as a share of all
# echoes, so that a shadow at the edge of a rectangle is not taken for steering.
STEEREST, STEPS = 0.5, 5
STEERING_COSTS = 0.04
NEARBY = (-0.04, -0.02, 0.0, 0.02, 0.04)  # changes of a tangent on the finest picture


@dataclass(frozen=True)
class Slab:
    """left, right : px along the top row of the picture;  top, bottom : px, half-open as left and right
    steering : px to the right for each px down along the beams
    """

    left: float
    top: float
    right: float
    bottom: float
    steering: float

    def mask(self, height: int, width: int) -> NDArray[np.bool_]:
        """(H, W), True inside."""
        y, x = np.mgrid[:height, :width]
        along = x - self.steering * y
        inside = (along > self.left - 0.5) & (along < self.right - 0.5)
        return np.asarray(inside & (y > self.top - 0.5) & (y < self.bottom - 0.5))

    def beams(self, height: int, width: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """(H, W) each: where a pixel lies across the beams and how deep, as shares from 0 to 1 within."""
        y, x = np.mgrid[:height, :width].astype(np.float32)
        across = (x - self.steering * y - self.left) / max(self.right - self.left, 1e-6)
        return across.astype(np.float32), ((y - self.top) / max(self.bottom - self.top, 1e-6)).astype(np.float32)

    def magnified(self, across: float, down: float) -> Slab:
        """The same on a picture that many times as large."""
        # The half pixels of x and y shift a slanting line a little against the corner that both count from.
        shift = 0.5 * self.steering * (1 - across)
        return Slab(
            self.left * across + shift,
            self.top * down,
            self.right * across + shift,
            self.bottom * down,
            self.steering * across / down,
        )


def fit_slab(weights: NDArray[np.float32]) -> tuple[Slab, float]:
    """The rectangle or parallelogram within which ``weights`` (H, W) add up to the most, and that sum, less what
    steering and beams unlit at the face cost.
    """
    height, width = weights.shape
    factor = max(1.0, max(height, width) / COARSE)
    size = max(1, round(width / factor)), max(1, round(height / factor))
    coarse = np.asarray(cv2.resize(weights, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    tangents = [STEEREST * step / STEPS for step in range(-STEPS, STEPS + 1)]
    rough, _ = _best([_upright_best(coarse, steering) for steering in tangents], coarse)
    rough = rough.magnified(width / size[0], height / size[1])
    nearby = [rough.steering + change for change in NEARBY] if rough.steering else [0.0]
    return _best([_refined(weights, rough, steering) for steering in nearby], weights)


def _best(found: list[tuple[Slab, float]], weights: NDArray[np.float32]) -> tuple[Slab, float]:
    costs = STEERING_COSTS * float(weights.clip(min=0).sum())
    charged = [
        (slab, gathered - costs * (slab.steering != 0) - unlit_costs(weights, *slab.beams(*weights.shape)))
        for slab, gathered in found
    ]
    return max(charged, key=lambda one: one[1])


def _upright_best(weights: NDArray[np.float32], steering: float) -> tuple[Slab, float]:
    upright, offset = _sheared(weights, steering)
    left, top, right, bottom, gathered = _best_box(upright)
    return Slab(left - offset, top, right - offset, bottom, steering), gathered


def _sheared(weights: NDArray[np.float32], steering: float) -> tuple[NDArray[np.float32], int]:
    """The picture with its beams set upright, and by how many columns it was moved to the right."""
    height, width = weights.shape
    offset = int(np.ceil(max(steering * height, 0.0)))
    wide = width + int(np.ceil(abs(steering) * height)) + 1
    moved = np.zeros((height, wide), np.float32)
    for row in range(height):
        start = offset - round(steering * row)
        moved[row, start : start + width] = weights[row]
    return moved, offset


def _best_box(weights: NDArray[np.float32]) -> tuple[int, int, int, int, float]:
    """Left, top, right, bottom and sum of the box with the largest sum, by Kadane's rule for every pair of rows."""
    height, width = weights.shape
    above = np.zeros((height + 1, width))
    np.cumsum(weights, axis=0, out=above[1:])
    first, last = np.triu_indices(height + 1, 1)
    total = np.zeros((len(first), width + 1))
    np.cumsum(above[last] - above[first], axis=1, out=total[:, 1:])
    gained = total - np.minimum.accumulate(total, axis=1)
    pair, right = np.unravel_index(int(gained.argmax()), gained.shape)
    left = int(total[pair, : right + 1].argmin())
    return left, int(first[pair]), int(right), int(last[pair]), float(gained[pair, right])


def _refined(weights: NDArray[np.float32], rough: Slab, steering: float) -> tuple[Slab, float]:
    """The sides put where all pixels between the others say, first left and right, then top and bottom."""
    height, width = weights.shape
    y = np.arange(height)[:, None]
    # Turned about the middle row, where the beams of the rough one and of this meet.
    along = np.rint(np.arange(width) - rough.steering * (height / 2) - steering * (y - height / 2)).astype(np.int64)
    low = int(along.min())
    rows = slice(max(0, int(rough.top)), max(1, int(np.ceil(rough.bottom))))
    left, right = _interval(np.bincount((along[rows] - low).ravel(), weights[rows].ravel()).astype(np.float64))
    inside = (along >= left + low) & (along < right + low)
    sums = (weights * inside).sum(axis=1)
    top, bottom = _interval(sums)
    shift = low + (rough.steering - steering) * (height / 2)
    return Slab(left + shift, top, right + shift, bottom, steering), float(sums[top:bottom].sum())


def _interval(sums: NDArray[np.floating]) -> tuple[int, int]:
    """Begin and end of the run with the largest sum."""
    total = np.concatenate([[0.0], np.cumsum(sums)])
    gained = total - np.minimum.accumulate(total)
    end = int(gained.argmax())
    return int(total[: end + 1].argmin()), end
