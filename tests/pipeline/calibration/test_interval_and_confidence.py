from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.interval_and_confidence import (
    conformal_level,
    covering_level,
    fit_confidence_calibration,
    fit_inverse_temperature,
)
from pipeline.estimate.counts import calibrated_confidence
from pipeline.track.merging.count_distribution import CountDistribution, point_mass, poisson


def central_interval(number: CountDistribution, level: float) -> tuple[int, int]:
    tail = (1 - level) / 2
    return number.quantile(tail), number.quantile(1 - tail)


@pytest.mark.parametrize("true", [0, 1, 3, 6, 9])
def test_the_covering_level_is_the_smallest_whose_interval_contains_the_true_count(true: int) -> None:
    number = poisson(3.0)
    level = covering_level(number, true)
    low, high = central_interval(number, min(level + 1e-6, 1.0))
    assert low <= true <= high
    if level > 0:
        low, high = central_interval(number, level - 1e-4)
        assert not low <= true <= high


def test_intervals_of_the_conformal_level_have_the_wanted_coverage_on_other_exams() -> None:
    rng = np.random.default_rng(4)

    def exams(count: int) -> list[tuple[CountDistribution, int]]:
        # Overconfident: the truth varies more than stated.
        means = rng.uniform(2, 12, count)
        return [(poisson(mean), int(rng.poisson(max(mean + rng.normal(0, 2), 0.1)))) for mean in means]

    level = conformal_level(exams(400), 0.9)
    contained = []
    for number, true in exams(2000):
        low, high = central_interval(number, level)
        contained.append(low <= true <= high)
    assert 0.88 < np.mean(contained) < 0.96
    assert level > 0.91


def test_too_few_exams_give_the_widest_interval() -> None:
    assert conformal_level([(point_mass(3), 3)] * 8, 0.9) == 1.0
    assert conformal_level([(point_mass(3), 3)] * 9, 0.9) == 0.0


@pytest.mark.parametrize(("stated", "real"), [(1.0, 2.0), (1.5, 1.0)])
def test_the_fitted_temperature_makes_the_truth_likeliest(stated: float, real: float) -> None:
    rng = np.random.default_rng(2)
    offsets = np.arange(-12, 13)

    def normal(sd: float) -> np.ndarray:
        weights = np.exp(-0.5 * (offsets / sd) ** 2)
        return np.asarray(weights / weights.sum())

    predictions = [
        (CountDistribution(-12, normal(stated)), int(rng.choice(offsets, p=normal(real)))) for _ in range(800)
    ]
    # A normal distribution raised to a power has its variance divided by it.
    assert fit_inverse_temperature(predictions) == pytest.approx((stated / real) ** 2, rel=0.2)


def test_without_predictions_the_temperature_is_one() -> None:
    assert fit_inverse_temperature([]) == 1.0


@pytest.mark.parametrize("log_odds", [-1.0, 0.0])
def test_calibrated_confidence_is_how_often_medians_are_within_one(log_odds: float) -> None:
    rng = np.random.default_rng(5)
    predictions, stated = [], []
    for probability in rng.uniform(0.3, 0.97, 3000):
        # Within one with the probability ``probability`` by the distribution, and with other odds in truth.
        number = CountDistribution(0, np.array([(1 - probability) / 2, 0, probability, 0, (1 - probability) / 2]))
        right = rng.random() < 1 / (1 + np.exp(-log_odds - np.log(probability / (1 - probability))))
        predictions.append((number, 2 if right else 4))
        stated.append((probability, right))
    calibration = fit_confidence_calibration(predictions, shelled=True)
    for low, high in ((0.3, 0.6), (0.6, 0.8), (0.8, 0.97)):
        calibrated = [
            calibrated_confidence(probability, calibration) for probability, _ in stated if low <= probability < high
        ]
        assert np.mean([right for probability, right in stated if low <= probability < high]) == pytest.approx(
            np.mean(calibrated), abs=0.04
        )


def test_a_few_exams_hardly_change_the_confidence() -> None:
    calibration = fit_confidence_calibration([(poisson(3.0), 3)] * 3, shelled=True)
    assert calibrated_confidence(0.9, calibration) == pytest.approx(0.9, abs=0.08)
