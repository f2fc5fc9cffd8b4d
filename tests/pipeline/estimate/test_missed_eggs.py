from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from scipy.special import expit, logit

from pipeline.calibration_tables import DetectionRate
from pipeline.estimate.encounter_history import EncounterHistory, detection_log_odds
from pipeline.estimate.missed_eggs import MissedEggs, estimate_missed
from tests.pipeline.estimate.closed_population import CatchSeries, chapman, chapman_deviation, petersen
from tests.pipeline.estimate.known_detection_rate import missed_at_rate

RATES = DetectionRate(
    intercept=1.5, size_slope=2.0, depth_slope=-3.0, reference_log_size=-2.3, reference_depth=0.5, exam_sd=0.8
)
SUNFISH = CatchSeries(
    caught=(10, 27, 17, 7, 1, 5, 6, 15, 9, 18, 16, 5, 7, 19),
    again=(0, 0, 0, 0, 0, 0, 2, 1, 5, 5, 4, 2, 2, 3),
    kept=(10, 27, 17, 7, 1, 5, 6, 15, 9, 18, 14, 5, 6, 0),
)


@pytest.mark.parametrize(
    ("marked", "caught", "again", "number", "deviation"),
    [
        (948, 421, 167, 2383, None),  # Krebs 1989, Box 2.1
        (109, 177, 57, 337, None),  # Ricker 1975
        (421, 332, 88, 1578, None),  # Pine et al. 2013, Box 11.2
        (500, 149, 7, 9393, 3022),  # Seber 2002
        (1000, 243, 21, 11101, 2184),  # Seber 2002
    ],
)
def test_published_two_catch_examples(marked, caught, again, number, deviation):
    assert round(chapman(marked, caught, again)) == number
    if deviation is not None:
        assert round(chapman_deviation(marked, caught, again)) == deviation


def test_published_petersen_and_schnabel_examples():
    assert round(petersen(948, 421, 167)) == 2390  # Krebs 1989, Box 2.1
    # The redear sunfish of Krebs 1989, p. 32, and Ricker 1975, p. 99.
    assert SUNFISH.schnabel() == pytest.approx(447.5)
    assert round(SUNFISH.schnabel_chapman()) == 430
    assert round(SUNFISH.schumacher_eschmeyer()) == 423


def two_catches(marked, caught, again):
    """The history of two catches, each with the rate that follows from the other one."""
    found = np.array([[True, True]] * again + [[True, False]] * (marked - again) + [[False, True]] * (caught - again))
    rates = np.array([again / caught, again / marked])
    return EncounterHistory(found, np.ones(found.shape), np.tile(logit(rates), (len(found), 1)))


@pytest.mark.parametrize(("marked", "caught", "again"), [(948, 421, 167), (109, 177, 57), (421, 332, 88)])
def test_the_model_gives_petersens_number_at_the_most_likely_rate(marked, caught, again):
    encounter_history = two_catches(marked, caught, again)
    deltas = np.linspace(-0.5, 0.5, 101)
    most_likely = deltas[int(np.argmax([encounter_history.log_likelihood(delta) for delta in deltas]))]
    assert most_likely == pytest.approx(0.0, abs=0.011)
    number = (1 / encounter_history.detection_probabilities(0.0)).sum()
    assert number == pytest.approx(petersen(marked, caught, again))


def test_the_model_agrees_with_chapman_within_his_standard_deviation():
    encounter_history = two_catches(421, 332, 88)
    posterior = estimate_missed(encounter_history, RATES).count_distribution(
        len(encounter_history.detected), zero_count_prior=0.5
    )
    number, deviation = chapman(421, 332, 88), chapman_deviation(421, 332, 88)
    assert abs(len(encounter_history.detected) + posterior.mean - number) < deviation
    # Chapman's interval is 1330 to 1826 (Pine et al. 2013). The model knows the rate of each catch up to a common
    # shift, so its interval is no wider.
    assert 0.5 * deviation < posterior.variance**0.5 < 1.2 * deviation


def test_the_model_gives_the_published_number_of_hares():
    # Snowshoe hares (Cormack 1989): 25, 22, 13, 5, 1, 2 of them caught once to six times in six nights; conditional
    # likelihood (Huggins) gives 75.43 with a rate of 0.3204.
    times = np.repeat([1, 2, 3, 4, 5, 6], [25, 22, 13, 5, 1, 2])
    found = np.arange(6)[None] < times[:, None]
    encounter_history = EncounterHistory(found, np.ones(found.shape), np.zeros(found.shape))
    deltas = np.linspace(-1.5, 0.5, 2001)
    most_likely = deltas[int(np.argmax([encounter_history.log_likelihood(delta) for delta in deltas]))]
    assert expit(most_likely) == pytest.approx(0.3204, abs=3e-4)
    assert (1 / encounter_history.detection_probabilities(most_likely)).sum() == pytest.approx(75.43, abs=0.02)


def clutch_of(rng, number, delta):
    """What was found of eggs of several sizes that were swept there and back, half of them also by a third pass."""
    log_odds = np.tile(rng.normal(0.3, 0.8, number)[:, None], (1, 3))
    crossed = np.tile([1.0, 1.0, 0.0], (number, 1))
    crossed[: number // 2, 2] = 0.9
    probability = crossed * expit(log_odds + delta)
    found = rng.random(probability.shape) < probability
    is_seen = found.any(axis=1)
    return EncounterHistory(found[is_seen], crossed[is_seen], log_odds[is_seen])


def test_the_number_of_missed_eggs_is_calibrated():
    """Simulation-based calibration (Talts et al. 2018): ranks of the truth in its posterior are uniform.

    Numbers are drawn from the prior, 1 / N.
    """
    rng = np.random.default_rng(8)
    numbers = np.arange(1, 201)
    prior, ranks = 1 / numbers, []
    while len(ranks) < 400:
        number = int(rng.choice(numbers, p=prior / prior.sum()))
        encounter_history = clutch_of(rng, number, rng.normal(0, RATES.exam_sd))
        seen = len(encounter_history.detected)
        if seen == 0:
            continue
        missed = estimate_missed(encounter_history, RATES).count_distribution(seen, zero_count_prior=0.5)
        ranks.append(
            missed.probability_below(number - seen)
            + rng.random() * missed.probability_within(number - seen, number - seen)
        )
    found = np.histogram(ranks, 8, (0, 1))[0]
    assert scipy.stats.chisquare(found).pvalue > 0.01, found


def test_the_more_passes_agree_the_fewer_eggs_were_missed():
    alike = np.zeros((8, 2))
    agreeing = EncounterHistory(np.ones((8, 2), bool), np.ones((8, 2)), alike)
    parted = EncounterHistory(np.repeat([[True, False], [False, True]], 4, axis=0), np.ones((8, 2)), alike)
    few, many = (
        estimate_missed(encounter_history, RATES).count_distribution(8, zero_count_prior=0.5).mean
        for encounter_history in (agreeing, parted)
    )
    assert few < many / 2


def test_full_agreement_about_few_eggs_leaves_room_for_missed_ones():
    # Chapman's deviation is 0 where both passes found the same six; six eggs are too few for that.
    encounter_history = EncounterHistory(np.ones((6, 2), bool), np.ones((6, 2)), np.zeros((6, 2)))
    assert chapman_deviation(6, 6, 6) == 0
    assert (
        estimate_missed(encounter_history, RATES).count_distribution(6, zero_count_prior=0.5).probability_within(0, 0)
        < 0.9
    )


def test_a_single_pass_leaves_the_prior_of_the_exam_as_it_is():
    encounter_history = EncounterHistory(np.ones((9, 1), bool), np.ones((9, 1)), np.zeros((9, 1)))
    result = estimate_missed(encounter_history, RATES)
    assert not result.has_repeat_passes
    prior = np.exp(-0.5 * np.linspace(-3, 3, 25) ** 2)
    np.testing.assert_allclose(result.weights, prior / prior.sum())


def test_if_none_was_found_the_prior_of_zero_is_weighed_against_a_missed_clutch():
    encounter_history = EncounterHistory(np.zeros((0, 2), bool), np.zeros((0, 2)), np.zeros((0, 2)))
    nothing = estimate_missed(encounter_history, RATES.model_copy(update={"exam_sd": 0.0}))
    rate = expit(RATES.intercept)
    missed = nothing.count_distribution(0, zero_count_prior=0.5)
    some = 0.5 * -np.log(rate) / (1 / np.arange(1, 201)).sum()  # the sum of (1 - rate)^N / N is -log(rate)
    assert missed.probability_within(0, 0) == pytest.approx(0.5 / (0.5 + some), rel=1e-6)


def test_where_none_was_found_each_rate_counts_by_its_own_weight():
    """At 0.02 a clutch of up to 200 eggs may have been missed, at 0.75 hardly any."""
    rates, weights = np.array([0.02, 0.75]), np.array([0.4, 0.6])
    means = (1 - rates) / rates
    missed = MissedEggs(weights, means, means / rates, has_repeat_passes=False).count_distribution(0, 0.5)
    numbers = np.arange(1, 201)
    expected = np.zeros(201)
    for rate, weight in zip(rates, weights, strict=True):
        missed_all = np.array([0.5, *(0.5 / (1 / numbers).sum() * (1 - rate) ** numbers / numbers)])
        expected += weight * missed_all / missed_all.sum()
    assert missed.lowest == 0
    np.testing.assert_allclose(missed.probabilities, expected, rtol=1e-9)


@pytest.mark.parametrize("rate", [0.3, 0.5, 0.9])
def test_a_known_rate_gives_the_failures_before_a_success(rate):
    """Mean (1 - p) / p and variance (1 - p) / p^2 of a geometric distribution for each egg found."""
    single_pass = EncounterHistory(np.ones((4, 1), bool), np.ones((4, 1)), np.full((4, 1), logit(rate)))
    missed = estimate_missed(single_pass, RATES.model_copy(update={"exam_sd": 0.0}))
    np.testing.assert_allclose(missed.means, (1 - rate) / rate)
    np.testing.assert_allclose(missed.variances, (1 - rate) / rate**2)


def test_means_and_variances_are_averages_over_eggs_of_different_rates():
    rates = np.array([0.4, 0.5, 0.8])
    single_pass = EncounterHistory(np.ones((3, 1), bool), np.ones((3, 1)), logit(rates)[:, None])
    missed = estimate_missed(single_pass, RATES.model_copy(update={"exam_sd": 0.0}))
    np.testing.assert_allclose(missed.means, np.mean((1 - rates) / rates))
    np.testing.assert_allclose(missed.variances, np.mean((1 - rates) / rates**2))


@pytest.mark.parametrize(("found", "rate"), [(1, 0.5), (6, 0.3), (12, 0.95)])
def test_the_number_missed_at_a_known_rate_is_negative_binomial(found, rate):
    missed = missed_at_rate(rate).count_distribution(found, zero_count_prior=0.5)
    assert missed.lowest == 0
    np.testing.assert_allclose(missed.probabilities, scipy.stats.nbinom.pmf(missed.numbers, found, rate), atol=1e-9)
    assert scipy.stats.nbinom.sf(missed.numbers[-1], found, rate) < 1e-6


def test_nothing_is_missed_where_every_crossed_egg_is_found():
    missed = missed_at_rate(1.0).count_distribution(5, zero_count_prior=0.5)
    assert missed.probability_within(0, 0) == 1.0


def test_the_rate_of_the_exam_shifts_with_the_phantoms_rate_where_none_was_found():
    """The grid of delta is symmetric, so the means are in falling order: an easier exam misses fewer."""
    nothing = EncounterHistory(np.zeros((0, 2), bool), np.zeros((0, 2)), np.zeros((0, 2)))
    missed = estimate_missed(nothing, RATES)
    assert (np.diff(missed.means) < 0).all()
    assert missed.means[12] == pytest.approx(np.exp(-RATES.intercept))


def test_no_exam_finds_so_few_of_its_eggs_that_the_number_has_no_bound():
    hopeless = EncounterHistory(np.ones((2, 1), bool), np.ones((2, 1)), np.full((2, 1), -20.0))
    missed = estimate_missed(hopeless, RATES.model_copy(update={"exam_sd": 0.0}))
    np.testing.assert_allclose(missed.means, 0.7 / 0.3)


@pytest.mark.parametrize(("second_pass", "has_repeat_passes"), [(0.0, False), (0.5, False), (0.6, True), (1.0, True)])
def test_a_pass_that_probably_crossed_an_egg_again_makes_the_exam_evidence(second_pass, has_repeat_passes):
    found = np.array([[True, False], [True, False]])
    crossing = np.array([[1.0, 0.0], [1.0, second_pass]])
    missed = estimate_missed(EncounterHistory(found, crossing, np.zeros((2, 2))), RATES)
    assert missed.has_repeat_passes == has_repeat_passes


def test_small_and_deep_eggs_are_found_less_often():
    usual = [float(np.exp(RATES.reference_log_size)), RATES.reference_depth]
    odds = detection_log_odds([usual[0], usual[0] / 2, usual[0], None], [usual[1], usual[1], 0.9, None], RATES)
    assert odds[0] == odds[3] == pytest.approx(RATES.intercept)
    assert odds[1] < odds[0]
    assert odds[2] < odds[0]
