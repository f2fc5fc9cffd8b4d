"""Network output to ellipses with scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from scipy.special import expit

from models import ellipse
from models.output_channels import CHANNELS, STRIDE

__all__ = ["Outlines", "decode"]


@dataclass(frozen=True)
class Outlines:
    """The objects of one picture, surest first.

    ellipses : (N, 5) float64 in px of the network's input
    stage_probabilities : (N, 3) float64, follicle, thin-shelled, calcified
    scores : (N,) float64 in [0, 1]
    centre_uncertainty_px, axis_uncertainty : (N,) float64, expected absolute error of the middle (px) and of the log axes
    """

    ellipses: NDArray[np.float64]
    stage_probabilities: NDArray[np.float64]
    scores: NDArray[np.float64]
    centre_uncertainty_px: NDArray[np.float64]
    axis_uncertainty: NDArray[np.float64]


def decode(
    answer: NDArray[np.float32], *, minimum_score: float, maximum_overlap: float, max_objects: int = 60
) -> Outlines:
    """Outlines of one answer (11, G, G).

    A peak of the centre map is an object; its outline is the mean of what the nine cells around the peak say,
    weighted by their centre probabilities. Of two outlines that overlap by more than maximum_overlap
    (intersection over union) the less sure one is dropped.
    """
    heat_map = expit(answer[CHANNELS["centre"]][0].astype(np.float64))
    peaks = (heat_map == maximum_filter(heat_map, size=3)) & (heat_map >= minimum_score)
    rows, columns = np.nonzero(peaks)
    order = np.argsort(-heat_map[rows, columns], kind="stable")[:max_objects]
    rows, columns = rows[order], columns[order]

    height, width = heat_map.shape
    near = np.array([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)])
    y, x = rows[:, None] + near[:, 0], columns[:, None] + near[:, 1]  # (N, 9)
    inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
    y, x = np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)
    weight = np.where(inside, heat_map[y, x], 0.0)
    weight /= weight.sum(axis=1, keepdims=True)

    def mean(name: str) -> NDArray[np.float64]:  # (N, C)
        values = answer[CHANNELS[name]].astype(np.float64)[:, y, x]
        return np.asarray((values * weight).sum(axis=2).T)

    offset = answer[CHANNELS["offset"]].astype(np.float64)[:, y, x] + np.stack([x, y])
    centres = (offset * weight).sum(axis=2).T
    # Logarithms of axes beyond any picture would overflow on an untrained network.
    ellipses = ellipse.from_log_matrix(centres, np.clip(mean("shape"), -4.0, 6.0))
    ellipses[:, :2] = ellipses[:, :2] * STRIDE + (STRIDE - 1) / 2
    ellipses[:, 2:4] *= STRIDE
    logits = mean("stage")
    stages = np.exp(logits - logits.max(axis=1, keepdims=True, initial=-np.inf))
    stages /= stages.sum(axis=1, keepdims=True)
    spread = np.exp(np.clip(mean("uncertainty"), -6.0, 4.0))
    keep = _distinct(ellipses, maximum_overlap)
    return Outlines(
        ellipses=ellipses[keep],
        stage_probabilities=stages[keep],
        scores=heat_map[rows, columns][keep],
        centre_uncertainty_px=spread[keep, 0] * STRIDE,
        axis_uncertainty=spread[keep, 1],
    )


def _distinct(ellipses: NDArray[np.float64], maximum_overlap: float) -> NDArray[np.int64]:
    same = ellipse.overlapping(ellipses, maximum_overlap)
    kept: list[int] = []
    for index in range(len(ellipses)):
        if not same[index, kept].any():
            kept.append(index)
    return np.array(kept, dtype=np.int64)
