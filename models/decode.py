"""Network output to ellipses with scores."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, softmax

from models import ellipse
from models.output_channels import CHANNELS, LOG_AXIS_RANGE, LOG_ERROR_RANGE, STRIDE

__all__ = ["Outlines", "decode"]

_NEIGHBOURS = np.ones((3, 3), np.uint8)


@dataclass(frozen=True)
class Outlines:
    """The objects found in one picture, highest score first.

    ellipses : (N, 5) float64 in px of the network's input
    stage_probabilities : (N, 3) float64, follicle, thin-shelled, calcified
    scores : (N,) float64 in [0, 1]
    centre_uncertainty_px, axis_uncertainty : (N,) float64, expected absolute error of the centre (px) and of the
    log axes
    """

    ellipses: NDArray[np.float64]
    stage_probabilities: NDArray[np.float64]
    scores: NDArray[np.float64]
    centre_uncertainty_px: NDArray[np.float64]
    axis_uncertainty: NDArray[np.float64]


def decode(
    output: NDArray[np.float32], *, minimum_score: float, maximum_overlap: float, max_objects: int = 60
) -> Outlines:
    """Outlines from the network output (11, G, G) for one picture.

    Every peak of the centre map is an object. Its outline is the mean over the nine cells around the peak, weighted by
    their centre probabilities. Of two outlines that overlap by more than maximum_overlap (intersection over union),
    the one with the lower score is dropped.
    """
    heat_map = expit(output[CHANNELS["centre"]][0].astype(np.float64))
    peaks = (heat_map == cv2.dilate(heat_map, _NEIGHBOURS)) & (heat_map >= minimum_score)
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

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:  # (C, N, 9) -> (N, C)
        return np.asarray((values * weight).sum(axis=2).T)

    values = output[:, y, x].astype(np.float64)
    means = mean(values)
    centres = mean(values[CHANNELS["offset"]] + np.stack([x, y]))
    ellipses = ellipse.from_log_matrix(centres, np.clip(means[:, CHANNELS["shape"]], *LOG_AXIS_RANGE))
    # Cell i covers pixels 4i to 4i + 3, so its middle lies at pixel 4i + 1.5.
    ellipses[:, :2] = ellipses[:, :2] * STRIDE + (STRIDE - 1) / 2
    ellipses[:, 2:4] *= STRIDE
    stages = softmax(means[:, CHANNELS["stage"]], axis=1)
    errors = np.exp(np.clip(means[:, CHANNELS["uncertainty"]], *LOG_ERROR_RANGE))
    keep = _without_duplicates(ellipses, maximum_overlap)
    return Outlines(
        ellipses=ellipses[keep],
        stage_probabilities=stages[keep],
        scores=heat_map[rows, columns][keep],
        centre_uncertainty_px=errors[keep, 0] * STRIDE,
        axis_uncertainty=errors[keep, 1],
    )


def _without_duplicates(ellipses: NDArray[np.float64], maximum_overlap: float) -> NDArray[np.int64]:
    """(K,) rows of ellipses (N, 5), best first, that do not overlap an earlier one that is kept."""
    overlapping = ellipse.overlapping(ellipses, maximum_overlap)
    kept: list[int] = []
    for index in range(len(ellipses)):
        if not overlapping[index, kept].any():
            kept.append(index)
    return np.array(kept, dtype=np.int64)
