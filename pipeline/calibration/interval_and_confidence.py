"""Calibrates the distributions of counts: their temperature, the width of the interval, and the confidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration_tables import ConfidenceCalibration
from pipeline.estimate.count_tolerance import is_count_right, probability_right
from pipeline.estimate.counts import clipped_log_odds
from pipeline.track.merging.count_distribution import CountDistribution

__all__ = ["conformal_level", "covering_level", "fit_confidence_calibration", "fit_inverse_temperature"]

Predictions = Sequence[tuple[CountDistribution, int]]
"""Predicted distributions of a count, each with the true number."""


@dataclass(frozen=True)
class FitConstants:
    """Constants of the fits; common practice, no source.

    inverse_temperatures : values that are tried
    smallest_probability : added to the probability of each true number, so that no single exam decides
    intercepts, slopes : of the confidence, values that are tried;  intercept_sd, slope_sd : of their normal priors
    """

    inverse_temperatures: tuple[float, ...] = tuple(np.exp(np.linspace(np.log(0.2), np.log(3.0), 55)).tolist())
    smallest_probability: float = 1e-6
    intercepts: tuple[float, ...] = tuple(np.linspace(-2, 2, 41).tolist())
    slopes: tuple[float, ...] = tuple(np.linspace(0.2, 2, 37).tolist())
    intercept_sd: float = 1.0
    slope_sd: float = 0.5


_FIT = FitConstants()


def fit_inverse_temperature(predictions: Predictions) -> float:
    """The power of the odds by which the true numbers are likeliest (temperature scaling); 1 without predictions."""
    if not predictions:
        return 1.0

    def log_likelihood(power: float) -> float:
        probabilities = [predicted.tempered(power).probability_within(true, true) for predicted, true in predictions]
        return float(np.mean(np.log(np.array(probabilities) + _FIT.smallest_probability)))

    return max(_FIT.inverse_temperatures, key=log_likelihood)


def fit_confidence_calibration(predictions: Predictions, *, shelled: bool) -> ConfidenceCalibration:
    """How often medians are right (`pipeline.estimate.count_tolerance`), given the probability by their distributions.

    Logistic regression on the log-odds of that probability (Platt scaling), with a normal prior around intercept 0 and
    slope 1, so that few exams do not overrule the distributions.
    """
    log_odds = np.array(
        [
            clipped_log_odds(probability_right(predicted, predicted.median, shelled=shelled))
            for predicted, _ in predictions
        ]
    )
    is_right = np.array(
        [bool(is_count_right(predicted.median, true, shelled=shelled)) for predicted, true in predictions], dtype=bool
    )

    def loss(intercept: float, slope: float) -> float:
        penalty = 0.5 * (intercept / _FIT.intercept_sd) ** 2 + 0.5 * ((slope - 1) / _FIT.slope_sd) ** 2
        return float(np.logaddexp(0, np.where(is_right, -1, 1) * (intercept + slope * log_odds)).sum()) + penalty

    tried = [
        ConfidenceCalibration(intercept=intercept, slope=slope)
        for intercept in _FIT.intercepts
        for slope in _FIT.slopes
    ]
    return min(tried, key=lambda calibration: loss(calibration.intercept, calibration.slope))


def covering_level(distribution: CountDistribution, true: int) -> float:
    """The smallest probability of a central interval, quantile to quantile, that contains the true number."""
    tail = min(distribution.probability_below(true + 1), 1 - distribution.probability_below(true))
    return max(1 - 2 * tail, 0.0)


def conformal_level(predictions: Predictions, coverage: float) -> float:
    """The probability of central intervals that contain the true count in a share ``coverage`` of exams like these.

    Split conformal prediction (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World): the
    ceil((n + 1) coverage)-th smallest of the n levels needed, 1 where there are too few exams.
    """
    levels = sorted(covering_level(predicted, true) for predicted, true in predictions)
    rank = int(np.ceil((len(levels) + 1) * coverage))
    return levels[rank - 1] if 0 < rank <= len(levels) else 1.0
