from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.counts import count_when_unscanned, estimate_count
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack
from tests.pipeline.estimate.known_detection_rate import missed_at_rate

SETTINGS = load_settings()
PLAIN = SETTINGS.calibration.counts.shelled.model_copy(update={"inverse_temperature": 1.0, "interval_probability": 0.9})
SHELL = np.array([0.02, 0.08, 0.9])
NONE_MISSED = missed_at_rate(1.0)
MANY_MISSED = missed_at_rate(0.6)


def count_of(existences, *, shift=None, missed=NONE_MISSED, at_least=0, learned=PLAIN):
    eggs = tuple(Egg(k, (EggTrack("a.mp4", k),), 0.9, SHELL, 0.9) for k in range(1, len(existences) + 1))
    posterior = CandidatePosterior(poisson_binomial(existences), np.array(existences, float))
    return estimate_count(
        eggs,
        posterior,
        shift or point_mass(0),
        missed,
        at_least=at_least,
        learned=learned,
        settings=SETTINGS.estimate,
        both_windows=True,
    )


shifts = st.lists(st.floats(0.01, 1.0), min_size=1, max_size=6).flatmap(
    lambda weights: st.integers(-4, 2).map(lambda low: CountDistribution(low, np.array(weights) / sum(weights)))
)


@given(
    st.lists(st.floats(0.0, 0.99), max_size=20),
    shifts,
    st.integers(0, 5),
    st.floats(0.3, 1.0),
    st.floats(0.2, 3.0),
    st.floats(0.3, 0.99),
)
def test_bound_estimate_and_interval_are_in_order(existences, shift, at_least, found, inverse_temperature, interval):
    missed = missed_at_rate(found)
    learned = PLAIN.model_copy(update={"inverse_temperature": inverse_temperature, "interval_probability": interval})
    result = count_of(existences, shift=shift, missed=missed, at_least=at_least, learned=learned)
    low, high = result.count.interval90
    assert result.count.at_least <= low <= result.count.estimate <= high
    assert high >= 1
    assert 0.0 <= result.confidence <= 1.0
    assert not (result.eggs and result.doubtful)


def test_sure_eggs_are_counted_as_they_are():
    result = count_of([0.99] * 6, at_least=3)
    assert (result.count.at_least, result.count.estimate, len(result.eggs)) == (3, 6, 6)
    assert result.confidence > 0.99


def test_none_seen_is_never_none():
    result = count_of([])
    assert result.count.estimate == 0
    assert result.count.interval90[0] == 0
    assert result.count.interval90[1] >= 1


def test_doubtful_shapes_alone_are_not_counted_but_kept_for_a_person():
    result = count_of([0.25, 0.22, 0.05])
    assert result.count.estimate == 0
    assert result.eggs == ()
    assert [egg.existence for egg in result.doubtful] == [0.25, 0.22]


def test_what_a_count_rests_on_is_listed_though_none_of_it_is_likely():
    result = count_of([0.3, 0.45, 0.4])
    assert result.count.estimate == 1
    assert [egg.existence for egg in result.eggs] == [0.45]
    assert result.doubtful == ()


def test_overlooked_eggs_are_in_the_estimate_and_widen_the_interval():
    certain, guessed = count_of([1.0] * 9), count_of([1.0] * 9, missed=MANY_MISSED)
    # 9 found of 15: the failures before the ninth success have the mean 9 * 0.4 / 0.6 = 6.
    assert guessed.distribution.mean == pytest.approx(15.0, abs=0.01)
    assert certain.count.interval90 == (9, 9)
    low, high = guessed.count.interval90
    assert low >= 9
    assert high - low > 6
    assert guessed.confidence < 0.5


def test_doubt_about_merges_moves_the_estimate_with_its_median():
    assert count_of([0.99] * 8, shift=CountDistribution(-2, np.array([0.7, 0.2, 0.1]))).count.estimate == 6


def test_merging_leaves_none_of_one_and_at_least_one_of_many():
    result = count_of([1.0, 1.0], shift=CountDistribution(-4, np.full(5, 0.2)))
    assert result.distribution.probability_within(0, 0) == 0
    assert count_of([0.0, 0.0], shift=CountDistribution(0, np.full(3, 1 / 3))).distribution.probability_within(
        0, 0
    ) == pytest.approx(1.0)


def test_the_bound_is_in_the_distribution():
    result = count_of([0.5] * 6, at_least=4)
    assert result.distribution.probability_within(0, 3) == 0
    assert result.count.interval90[0] >= 4


def test_less_sharpness_is_less_confidence_and_a_wider_interval():
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
    result = count_when_unscanned(SETTINGS.estimate)
    assert result.count.estimate == 0
    assert result.count.interval90[1] >= 10
