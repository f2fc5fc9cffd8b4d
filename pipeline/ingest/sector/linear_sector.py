"""A linear probe's rectangle, or the parallelogram that it becomes when the beams are steered.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector_evidence import HIGH_COST, Fit, SectorEvidence, cell_fit_scores

__all__ = ["Parallelogram", "fit_coarse_parallelogram", "refine_parallelogram"]


@dataclass(frozen=True)
class ParallelogramSearch:
    """How the parallelogram is searched for. All values: common practice, no source.

    coarse_cells : cells along the picture's longer side on which all boxes are compared
    max_steering : largest tangent of the beams' angle that is tried, to either side
    steering_steps : number of tangents to either side
    steering_cost_share : cost of any steering, as a share of all echoes, so that a shadow at the edge of a rectangle is
    not taken for steering
    steering_changes : changes of the tangent that are tried on the full picture
    """

    coarse_cells: int = 40
    max_steering: float = 0.5
    steering_steps: int = 5
    steering_cost_share: float = 0.02
    steering_changes: tuple[float, ...] = (-0.04, -0.02, 0.0, 0.02, 0.04)


_SEARCH = ParallelogramSearch()


@dataclass(frozen=True)
class Parallelogram:
    """left, right : px along the top row of the picture;  top, bottom : px;  all half-open

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
        along_top = x - self.steering * y
        inside = (along_top > self.left - 0.5) & (along_top < self.right - 0.5)
        return np.asarray(inside & (y > self.top - 0.5) & (y < self.bottom - 0.5))

    def scaled(self, across: float, down: float) -> Parallelogram:
        """The shape in a picture ``across`` times as wide and ``down`` times as high. The factors differ by rounding.

        left and right belong to the centres of the top row. These lie half a pixel below the corner of the picture,
        which is the point that stays in place, so a slanting side shifts.
        """
        shift = 0.5 * self.steering * (1 - across)
        return Parallelogram(
            self.left * across + shift,
            self.top * down,
            self.right * across + shift,
            self.bottom * down,
            self.steering * across / down,
        )


def fit_coarse_parallelogram(evidence: SectorEvidence, *, allow_steering: bool = False) -> Fit[Parallelogram]:
    """The rectangle, or if ``allow_steering`` the parallelogram, with the highest score on a coarse grid.

    The cost of steering is subtracted from the score.
    """
    coarse, factor = evidence.downsampled(_SEARCH.coarse_cells)
    steps = _SEARCH.steering_steps if allow_steering else 0
    tangents = [_SEARCH.max_steering * step / _SEARCH.steering_steps for step in range(-steps, steps + 1)]
    best = max((_fit_box(coarse, steering) for steering in tangents), key=lambda fit: fit.score)
    across, down = (whole / part for whole, part in zip(evidence.shape[::-1], coarse.shape[::-1], strict=True))
    return Fit(best.shape.scaled(across, down), best.score * factor**2)


def refine_parallelogram(evidence: SectorEvidence, coarse: Parallelogram) -> Fit[Parallelogram]:
    """The best parallelogram near ``coarse``, on the full picture; a rectangle stays a rectangle."""
    tangents = [coarse.steering + change for change in _SEARCH.steering_changes] if coarse.steering else [0.0]
    return max((_fit_sides(evidence, coarse, steering) for steering in tangents), key=lambda fit: fit.score)


def _fit_box(evidence: SectorEvidence, steering: float) -> Fit[Parallelogram]:
    """The best parallelogram of one steering, by comparing all boxes."""
    scores, offset = _upright_scores(evidence, steering)
    left, top, right, bottom, total = _best_box(scores)
    shape = Parallelogram(left - offset, top, right - offset, bottom, steering)
    return Fit(shape, total - _steering_cost(evidence, steering))


def _fit_sides(evidence: SectorEvidence, coarse: Parallelogram, steering: float) -> Fit[Parallelogram]:
    """The best parallelogram of one steering near ``coarse``: first left and right are placed, then top and bottom."""
    scores, offset = _upright_scores(evidence, steering)
    rows = slice(max(0, int(coarse.top)), max(1, math.ceil(coarse.bottom)))
    left, right = _best_interval(scores[rows].sum(axis=0))
    top, bottom = _best_interval(scores[:, left:right].sum(axis=1))
    total = float(scores[top:bottom, left:right].sum())
    shape = Parallelogram(left - offset, top, right - offset, bottom, steering)
    return Fit(shape, total - _steering_cost(evidence, steering))


def _upright_scores(evidence: SectorEvidence, steering: float) -> tuple[NDArray[np.float64], int]:
    """(H, W') score of each pixel once the picture is sheared so that its beams are upright, and the column there of
    the top row's first pixel.
    """
    height, width = evidence.shape
    maps = (np.ones(evidence.shape, np.float32), evidence.echo, evidence.dark, evidence.line)
    if not steering:
        return cell_fit_scores(*maps, dark_penalty=HIGH_COST), 0
    offset = math.ceil(max(steering * height, 0.0))
    sheared_width = width + math.ceil(abs(steering) * height) + 1
    sheared = np.zeros((len(maps), height, sheared_width), np.float32)
    for row in range(height):
        start = offset - round(steering * row)
        for target, source in zip(sheared, maps, strict=True):
            target[row, start : start + width] = source[row]
    return cell_fit_scores(*sheared, dark_penalty=HIGH_COST), offset


def _best_box(weights: NDArray[np.floating]) -> tuple[int, int, int, int, float]:
    """Left, top, right, bottom and sum of the box with the largest sum: Kadane's algorithm for every pair of rows."""
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


def _best_interval(sums: NDArray[np.floating]) -> tuple[int, int]:
    """Begin and end of the run with the largest sum, half-open."""
    total = np.concatenate([[0.0], np.cumsum(sums)])
    gained = total - np.minimum.accumulate(total)
    end = int(gained.argmax())
    return int(total[: end + 1].argmin()), end


def _steering_cost(evidence: SectorEvidence, steering: float) -> float:
    return _SEARCH.steering_cost_share * evidence.echo_px if steering else 0.0
