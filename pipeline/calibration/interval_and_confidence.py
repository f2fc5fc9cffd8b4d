"""How sharp distributions of numbers should be, how wide the interval and how trusted, to be as sure as they say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.estimate.counts import clipped_log_odds
from pipeline.settings import ConfidenceCalibration
from pipeline.track.merging.count_distribution import CountDistribution

__all__ = ["conformal_level", "covering_level", "fit_confidence_calibration", "fit_inverse_temperature"]

Predictions = Sequence[tuple[CountDistribution, int]]

_POWERS = np.exp(np.linspace(np.log(0.2), np.log(3.0), 55))
_BASE_SPREAD, _SLOPE_SPREAD = 1.0, 0.5  # of the prior
_BASES, _SLOPES = np.linspace(-2, 2, 41), np.linspace(0.2, 2, 37)
_LEAST = 1e-6  # probability that any number is granted, so that one surprise decides nothing


def fit_inverse_temperature(predictions: Predictions) -> float:
    """The power to raise the odds to (temperature scaling) under which the true numbers are likeliest; 1 for none.

    predictions : distributions with the true numbers
    """
    if not predictions:
        return 1.0

    def score(power: float) -> float:
        return float(
            np.mean([np.log(one.tempered(power).probability_within(true, true) + _LEAST) for one, true in predictions])
        )

    return float(_POWERS[int(np.argmax([score(float(power)) for power in _POWERS]))])


def fit_confidence_calibration(predictions: Predictions) -> ConfidenceCalibration:
    """How often medians are within one of the truth, by how often their distributions say so.

    The likeliest logistic regression on the log-odds that they say, held back towards their own word (a normal prior
    around intercept 0 and slope 1) so that few exams do not overrule it.
    """
    log_odds = np.array(
        [clipped_log_odds(one.probability_within(one.median - 1, one.median + 1)) for one, _ in predictions]
    )
    right = np.array([abs(one.median - true) <= 1 for one, true in predictions], dtype=bool)

    def surprise(intercept: float, slope: float) -> float:
        held_back = 0.5 * (intercept / _BASE_SPREAD) ** 2 + 0.5 * ((slope - 1) / _SLOPE_SPREAD) ** 2
        return float(np.logaddexp(0, np.where(right, -1, 1) * (intercept + slope * log_odds)).sum()) + held_back

    tried = [
        ConfidenceCalibration(intercept=float(intercept), slope=float(slope))
        for intercept in _BASES
        for slope in _SLOPES
    ]
    return min(tried, key=lambda calibration: surprise(calibration.intercept, calibration.slope))


def covering_level(number: CountDistribution, true: int) -> float:
    """The least probability of a central interval, quantile to quantile, that holds the true number."""
    tail = min(number.probability_below(true + 1), 1 - number.probability_below(true))
    return max(1 - 2 * tail, 0.0)


def conformal_level(predictions: Predictions, coverage: float) -> float:
    """The probability of central intervals that hold the truth in ``coverage`` of exams like these.

    Split conformal prediction (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World): the
    ceil((n + 1) coverage)-th smallest of the n levels needed.
    """
    levels = sorted(covering_level(number, true) for number, true in predictions)
    place = int(np.ceil((len(levels) + 1) * coverage))
    return levels[place - 1] if 0 < place <= len(levels) else 1.0
