from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_tables import ConfidenceCalibration
from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.clutch_prior import ClutchPrior
from pipeline.estimate.counts import calibrated_confidence, count_when_unscanned, estimate_count
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack
from tests.pipeline.estimate.known_detection_rate import missed_at_rate

SETTINGS = load_settings()
PLAIN = SETTINGS.calibration.counts.shelled.model_copy(update={"inverse_temperature": 1.0, "interval_probability": 0.9})
SHELL = np.array([0.02, 0.08, 0.9])
NONE_MISSED = missed_at_rate(1.0)
MANY_MISSED = missed_at_rate(0.6)


def count_of(
    existences,
    *,
    correction=None,
    missed=NONE_MISSED,
    at_least=0,
    learned=PLAIN,
    both_windows=True,
    clutch_prior=None,
):
    eggs = tuple(Egg(k, (EggTrack("a.mp4", k),), 0.9, SHELL, 0.9) for k in range(1, len(existences) + 1))
    posterior = CandidatePosterior(poisson_binomial(existences), np.array(existences, float))
    return estimate_count(
        eggs,
        posterior,
        correction or point_mass(0),
        missed,
        shelled=True,
        at_least=at_least,
        learned=learned,
        settings=SETTINGS.estimate,
        both_windows=both_windows,
        clutch_prior=clutch_prior,
    )


corrections = st.lists(st.floats(0.01, 1.0), min_size=1, max_size=6).flatmap(
    lambda weights: st.integers(-4, 2).map(lambda low: CountDistribution(low, np.array(weights) / sum(weights)))
)


@given(
    st.lists(st.floats(0.0, 0.99), max_size=20),
    corrections,
    st.integers(0, 5),
    st.floats(0.3, 1.0),
    st.floats(0.2, 3.0),
    st.floats(0.3, 0.99),
)
def test_bound_estimate_and_interval_are_in_order(
    existences, correction, at_least, found, inverse_temperature, interval
):
    missed = missed_at_rate(found)
    learned = PLAIN.model_copy(update={"inverse_temperature": inverse_temperature, "interval_probability": interval})
    result = count_of(existences, correction=correction, missed=missed, at_least=at_least, learned=learned)
    low, high = result.count.interval90
    assert result.count.at_least <= low <= result.count.estimate <= high
    assert high >= 1
    assert 0.0 <= result.confidence <= 1.0
    counted = {egg.identity for egg in result.eggs}
    assert all(egg.identity not in counted and egg.existence >= 0.2 for egg in result.uncounted)


def test_sure_eggs_are_counted_one_by_one():
    result = count_of([0.99] * 6, at_least=3)
    assert (result.count.at_least, result.count.estimate, len(result.eggs)) == (3, 6, 6)
    assert result.confidence > 0.99


def test_none_seen_never_means_none():
    result = count_of([])
    assert (result.count.estimate, result.count.interval90) == (0, (0, 1))


def test_doubtful_objects_alone_are_not_counted_but_kept_for_a_person():
    result = count_of([0.25, 0.22, 0.05])
    assert result.count.estimate == 0
    assert result.eggs == ()
    assert [egg.existence for egg in result.uncounted] == [0.25, 0.22]


def test_the_objects_that_a_count_rests_on_are_listed_even_if_none_is_likely():
    result = count_of([0.3, 0.45, 0.4])
    assert result.count.estimate == 1
    assert [egg.existence for egg in result.eggs] == [0.45]
    assert [egg.existence for egg in result.uncounted] == [0.3, 0.4]


def test_an_object_too_unsure_to_be_counted_is_kept_for_a_person_also_beside_eggs():
    result = count_of([0.99, 0.98, 0.3, 0.1])
    assert [egg.existence for egg in result.eggs] == [0.99, 0.98]
    assert [egg.existence for egg in result.uncounted] == [0.3]


def test_missed_eggs_are_in_the_estimate_and_widen_the_interval():
    none_missed, many_missed = count_of([1.0] * 9), count_of([1.0] * 9, missed=MANY_MISSED)
    # 9 found of 15: the failures before the ninth success have the mean 9 * 0.4 / 0.6 = 6.
    assert many_missed.distribution.mean == pytest.approx(15.0, abs=0.01)
    assert none_missed.count.interval90 == (9, 9)
    low, high = many_missed.count.interval90
    assert low >= 9
    assert high - low > 6
    assert many_missed.confidence < 0.5


def test_uncertain_merges_move_the_estimate():
    assert count_of([0.99] * 8, correction=CountDistribution(-2, np.array([0.7, 0.2, 0.1]))).count.estimate == 6


def test_all_likely_objects_are_listed_even_if_the_count_is_lower():
    result = count_of([1.0] * 5, correction=point_mass(-2))
    assert result.count.estimate == 3
    assert len(result.eggs) == 5


def test_merging_leaves_at_least_one_real_object_and_none_of_none():
    result = count_of([1.0, 1.0], correction=CountDistribution(-4, np.full(5, 0.2)))
    assert result.distribution.probability_within(0, 0) == 0
    assert count_of([0.0, 0.0], correction=CountDistribution(0, np.full(3, 1 / 3))).distribution.probability_within(
        0, 0
    ) == pytest.approx(1.0)


def test_the_distribution_respects_the_lower_bound():
    result = count_of([0.5] * 6, at_least=4)
    assert result.distribution.probability_within(0, 3) == 0
    assert result.count.interval90[0] >= 4


def test_a_flatter_distribution_means_less_confidence_and_a_wider_interval():
    results = [
        count_of([0.7] * 8, learned=PLAIN.model_copy(update={"inverse_temperature": power}))
        for power in (0.3, 1.0, 2.0)
    ]
    confidences = [result.confidence for result in results]
    widths = [result.count.interval90[1] - result.count.interval90[0] for result in results]
    assert confidences == sorted(set(confidences))
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > widths[-1]


def test_an_animal_that_could_not_be_scanned_may_carry_many():
    """Poisson with a mean of 10: 95.1 % of it are at 15 or below, 91.7 % at 14 or below."""
    result = count_when_unscanned(SETTINGS.estimate.model_copy(update={"unscanned_eggs": 10.0}))
    assert (result.count.at_least, result.count.estimate, result.count.interval90) == (0, 0, (0, 15))
    assert result.distribution.probability_within(0, 0) == 1.0
    assert result.confidence == 0.0
    none_expected = count_when_unscanned(SETTINGS.estimate.model_copy(update={"unscanned_eggs": 0.0}))
    assert none_expected.count.interval90 == (0, 1)


@pytest.mark.parametrize("both_windows", [True, False])
def test_eggs_out_of_reach_are_allowed_for_only_where_exams_are_compared(both_windows):
    result = count_of([1.0] * 6, both_windows=both_windows)
    rules = SETTINGS.estimate
    expected = (
        rules.unreached_eggs + rules.unreached_share * 6
        if both_windows
        else 2 * rules.unreached_eggs + rules.one_window_unreached_share * 6
    )
    assert result.distribution.mean == 6
    assert sum(result.count.chances) == pytest.approx(1.0)
    assert np.dot(np.arange(len(result.count.chances)), result.count.chances) == pytest.approx(6 + expected, abs=1e-6)


@pytest.mark.parametrize("both_windows", [True, False])
def test_the_clutch_prior_expects_the_share_that_these_windows_cross(both_windows):
    prior = ClutchPrior("Emys orbicularis", 8, 10, "an invented source")
    plain = count_of([0.6] * 10, both_windows=both_windows)
    result = count_of([0.6] * 10, both_windows=both_windows, clutch_prior=prior)
    rules = SETTINGS.estimate
    share = rules.both_windows_crossed_share if both_windows else rules.one_window_crossed_share
    np.testing.assert_allclose(
        result.distribution.probabilities, prior.reweighted(plain.distribution, share).probabilities
    )
    assert result.clutch_prior == prior
    assert plain.clutch_prior is None


def test_the_confidence_is_calibrated_on_log_odds():
    assert calibrated_confidence(0.8, ConfidenceCalibration(intercept=0.0, slope=1.0)) == pytest.approx(0.8)
    assert calibrated_confidence(0.8, ConfidenceCalibration(intercept=0.0, slope=0.5)) == pytest.approx(2 / 3)
    assert calibrated_confidence(0.5, ConfidenceCalibration(intercept=np.log(3), slope=1.0)) == pytest.approx(0.75)
    assert calibrated_confidence(1.0, ConfidenceCalibration(intercept=0.0, slope=1.0)) == pytest.approx(0.999)
    assert calibrated_confidence(0.0, ConfidenceCalibration(intercept=0.0, slope=1.0)) == pytest.approx(0.001)


def test_the_interval_leaves_half_of_the_rest_on_either_side():
    """Corrections of -2 to 2 with 0.1, 0.2, 0.4, 0.2, 0.1: a probability of 0.5 needs -1 to 1, of 0.9 all of them."""
    correction = CountDistribution(-2, np.array([0.1, 0.2, 0.4, 0.2, 0.1]))
    for probability, interval in ((0.5, (9, 11)), (0.9, (8, 12)), (0.3, (10, 10))):
        learned = PLAIN.model_copy(update={"interval_probability": probability})
        assert count_of([1.0] * 10, correction=correction, learned=learned).count.interval90 == interval


def test_an_exam_without_a_count_has_an_interval_of_its_own():
    """Of two objects with 0.4 and 0.1, none is real with 0.54, one with 0.42, both with 0.04."""
    for if_none, interval in ((0.9, (0, 1)), (0.99, (0, 2))):
        learned = PLAIN.model_copy(update={"interval_probability": 0.3, "interval_probability_if_none": if_none})
        none = count_of([0.4, 0.1], learned=learned).count
        assert (none.estimate, none.interval90) == (0, interval)


def test_objects_are_listed_from_a_threshold_on():
    rules = SETTINGS.estimate
    assert rules.doubtful_existence < rules.listed_existence
    result = count_of([0.99, 0.98, rules.listed_existence, rules.listed_existence - 0.01])
    assert [egg.existence for egg in result.eggs] == [0.99, 0.98, rules.listed_existence]
