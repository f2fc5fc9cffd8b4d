"""Penalised logistic regression, of labels and of choices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

__all__ = ["choice_weights", "logistic_weights", "weights_without_negative"]

Floats = NDArray[np.float64]

_MAXIMUM_STEPS = 50  # of Newton's method, which needs fewer than ten
_TOLERANCE = 1e-10  # log-odds: largest change of a weight at which the fit has converged
_CHOICE_PENALTY = 1e-2  # of the squared weights of a choice, so that none is infinite
_INTERCEPT_PENALTY = 1e-2  # keeps the intercept finite where all labels are equal
_CONSTANT = 1e-9  # standard deviation up to which a feature is the same in all rows but for rounding


def logistic_weights(features: Floats, labels: NDArray[np.bool_]) -> Floats:
    """(D + 1,) intercept and weights of the features (N, D), by penalised maximum likelihood.

    Each weight has a normal prior of standard deviation 1 per standard deviation of its feature. So few labels, or
    labels that a feature separates perfectly, give no infinite weights.
    """
    count, number = features.shape
    mean, sd = (features.mean(axis=0), features.std(axis=0)) if count else (np.zeros(number), np.ones(number))
    sd = np.where(sd > _CONSTANT, sd, 1.0)
    design = np.column_stack([np.ones(count), (features - mean) / sd])
    penalty = np.diag(np.concatenate([[_INTERCEPT_PENALTY], np.ones(number)]))
    weights = np.zeros(number + 1)
    for _ in range(_MAXIMUM_STEPS):
        probabilities = expit(np.clip(design @ weights, -30, 30))
        gradient = design.T @ (labels - probabilities) - penalty @ weights
        curvature = (design.T * (probabilities * (1 - probabilities))) @ design + penalty
        step = np.linalg.solve(curvature, gradient)
        weights = weights + step
        if np.abs(step).max() < _TOLERANCE:
            break
    slopes = weights[1:] / sd
    return np.concatenate([[weights[0] - slopes @ mean], slopes])


def weights_without_negative(features: Floats, labels: NDArray[np.bool_]) -> list[float]:
    """The intercept and the weights as `logistic_weights`, without the features whose weight is negative."""
    used = np.ones(features.shape[1], dtype=bool)
    while True:
        weights = np.zeros(1 + len(used))
        weights[np.concatenate([[True], used])] = logistic_weights(features[:, used], labels)
        if (weights[1:] >= 0).all():
            return [float(weight) for weight in weights]
        used &= weights[1:] >= 0


def choice_weights(choices: Sequence[tuple[Floats, NDArray[np.bool_]]]) -> Floats:
    """(D,) weights of the features that say which of several alternatives is right (conditional logit).

    choices : for each, the features (A, D) of its alternatives, and (A,) which of them are right; those without a right
    one are left out (McFadden 1974, in Frontiers in Econometrics, from memory)
    """
    number = choices[0][0].shape[1] if choices else 0
    known = [(features, features[right]) for features, right in choices if right.any()]
    if not known:
        return np.zeros(number)
    every, right = (_Alternatives.stacked(groups) for groups in zip(*known, strict=True))

    def loss(weights: Floats) -> tuple[float, Floats]:
        (sum_of_every, slope_of_every), (sum_of_right, slope_of_right) = every.odds(weights), right.odds(weights)
        value = sum_of_every - sum_of_right + _CHOICE_PENALTY * float(weights @ weights)
        return value, slope_of_every - slope_of_right + 2 * _CHOICE_PENALTY * weights

    return np.asarray(minimize(loss, np.zeros(number), jac=True, method="BFGS").x)


@dataclass(frozen=True)
class _Alternatives:
    """Those of many choices below each other. features : (N, D);  sizes, starts : of each choice's rows"""

    features: Floats
    sizes: NDArray[np.intp]
    starts: NDArray[np.intp]

    @classmethod
    def stacked(cls, groups: Sequence[Floats]) -> _Alternatives:
        sizes = np.array([len(group) for group in groups])
        return cls(np.concatenate(groups), sizes, np.cumsum(sizes) - sizes)

    def odds(self, weights: Floats) -> tuple[float, Floats]:
        """The logarithm of each choice's summed odds, added up, and its gradient by the weights."""
        scores = self.features @ weights
        sums = np.logaddexp.reduceat(scores, self.starts)
        shares = np.exp(scores - np.repeat(sums, self.sizes))
        return float(sums.sum()), shares @ self.features
