"""A linear probe's rectangle, or the parallelogram that it becomes where the beams are steered.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector_evidence import HIGH_COST, SectorEvidence, cell_fit_scores

__all__ = ["Parallelogram", "fit_coarse_parallelogram", "refine_parallelogram"]

# Cells along the picture's longer side on which all boxes are compared.
COARSE_CELLS = 40
# Tangents of the beams' angles that are tried, to either side; and what the first of them costs, as a share of all
# echoes, so that a shadow at the edge of a rectangle is not taken for steering.
MAX_STEERING, STEERING_STEPS = 0.5, 5
STEERING_COST_SHARE = 0.02
STEERING_CHANGES = (-0.04, -0.02, 0.0, 0.02, 0.04)  # changes of a tangent on the finest picture


@dataclass(frozen=True)
class Parallelogram:
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
        y, x = np.ogrid[:height, :width]
        along = x - self.steering * y
        inside = (along > self.left - 0.5) & (along < self.right - 0.5)
        return np.asarray(inside & (y > self.top - 0.5) & (y < self.bottom - 0.5))

    def scaled(self, across: float, down: float) -> Parallelogram:
        """The same on a picture that many times as large."""
        # The half pixels of x and y shift a slanting line a little against the corner that both count from.
        shift = 0.5 * self.steering * (1 - across)
        return Parallelogram(
            self.left * across + shift,
            self.top * down,
            self.right * across + shift,
            self.bottom * down,
            self.steering * across / down,
        )


def fit_coarse_parallelogram(evidence: SectorEvidence, *, allow_steering: bool = False) -> tuple[Parallelogram, float]:
    """The rectangle, or if ``allow_steering`` the parallelogram, that ``evidence`` is worth the most to on a coarse grid, and
    that worth, in px of echoes, less what steering costs.
    """
    coarse, factor = evidence.downsampled(COARSE_CELLS)
    tangents = (
        [MAX_STEERING * step / STEERING_STEPS for step in range(-STEERING_STEPS, STEERING_STEPS + 1)]
        if allow_steering
        else [0.0]
    )
    best, gathered = max((_upright_best(coarse, steering) for steering in tangents), key=lambda one: one[1])
    across, down = (whole / part for whole, part in zip(evidence.shape[::-1], coarse.shape[::-1], strict=True))
    return best.scaled(across, down), gathered * factor**2


def refine_parallelogram(evidence: SectorEvidence, rough: Parallelogram) -> tuple[Parallelogram, float]:
    """The same from where ``rough`` is, on the whole picture."""
    nearby = [rough.steering + change for change in STEERING_CHANGES] if rough.steering else [0.0]
    return max((_refined(evidence, rough, steering) for steering in nearby), key=lambda one: one[1])


def _upright_best(evidence: SectorEvidence, steering: float) -> tuple[Parallelogram, float]:
    gain, offset = _gain(evidence, steering)
    left, top, right, bottom, gathered = _best_box(gain)
    return Parallelogram(left - offset, top, right - offset, bottom, steering), gathered - _steering_costs(
        evidence, steering
    )


def _gain(evidence: SectorEvidence, steering: float) -> tuple[NDArray[np.float64], int]:
    """(H, W') the worth of each pixel with the beams set upright, and by how many columns the picture was moved to the
    right for that.
    """
    height, width = evidence.shape
    if not steering:
        return cell_fit_scores(
            np.ones(evidence.shape, np.float32), evidence.echo, evidence.dark, evidence.line, dark_penalty=HIGH_COST
        ), 0
    offset = math.ceil(max(steering * height, 0.0))
    wide = width + math.ceil(abs(steering) * height) + 1
    maps = (np.ones(evidence.shape, np.float32), evidence.echo, evidence.dark, evidence.line)
    moved = np.zeros((len(maps), height, wide), np.float32)
    for row in range(height):
        start = offset - round(steering * row)
        for to, of in zip(moved, maps, strict=True):
            to[row, start : start + width] = of[row]
    return cell_fit_scores(*moved, dark_penalty=HIGH_COST), offset


def _best_box(weights: NDArray[np.floating]) -> tuple[int, int, int, int, float]:
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


def _refined(evidence: SectorEvidence, rough: Parallelogram, steering: float) -> tuple[Parallelogram, float]:
    """The sides put where all pixels between the others say, first left and right, then top and bottom."""
    gain, offset = _gain(evidence, steering)
    # Turned about the middle row, where the beams of the rough one and of this meet.
    rows = slice(max(0, int(rough.top)), max(1, math.ceil(rough.bottom)))
    left, right = _interval(gain[rows].sum(axis=0))
    top, bottom = _interval(gain[:, left:right].sum(axis=1))
    worth_ = float(gain[top:bottom, left:right].sum())
    return Parallelogram(left - offset, top, right - offset, bottom, steering), worth_ - _steering_costs(
        evidence, steering
    )


def _steering_costs(evidence: SectorEvidence, steering: float) -> float:
    return STEERING_COST_SHARE * float(evidence.echo.clip(min=0).sum()) if steering else 0.0


def _interval(sums: NDArray[np.floating]) -> tuple[int, int]:
    """Begin and end of the run with the largest sum."""
    total = np.concatenate([[0.0], np.cumsum(sums)])
    gained = total - np.minimum.accumulate(total)
    end = int(gained.argmax())
    return int(total[: end + 1].argmin()), end
