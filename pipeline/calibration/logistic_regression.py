"""Logistic regression: how the log-odds of a yes go with some features."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["logistic_weights"]

Floats = NDArray[np.float64]

_ROUNDS = 50


def logistic_weights(features: Floats, labels: NDArray[np.bool_], *, offset: Floats | None = None) -> Floats:
    """(D + 1,) the constant and the weights (D,) of features (N, D) by penalised maximum likelihood.

    Each weight is held back by a normal prior of one standard deviation a standard deviation of its trait, so that
    few or perfectly parted labels give no infinite ones. offset : (N,) known log-odds to which these are added
    """
    count, number = features.shape
    spread = features.std(axis=0) if count else np.ones(number)
    spread = np.where(spread > 0, spread, 1.0)
    design = np.column_stack([np.ones(count), features / spread])
    penalty = np.diag(np.concatenate([[1e-2], np.ones(number)]))
    known = np.zeros(count) if offset is None else offset
    weights = np.zeros(number + 1)
    for _ in range(_ROUNDS):  # Newton's steps
        chance = 1 / (1 + np.exp(-np.clip(known + design @ weights, -30, 30)))
        gradient = design.T @ (labels - chance) - penalty @ weights
        curvature = (design.T * (chance * (1 - chance))) @ design + penalty
        step = np.linalg.solve(curvature, gradient)
        weights = weights + step
        if np.abs(step).max() < 1e-10:
            break
    return np.concatenate([weights[:1], weights[1:] / spread])
