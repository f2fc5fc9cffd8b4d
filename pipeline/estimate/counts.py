"""The count, with its lower bound and interval, from objects that may be false, listed twice or missed.

    found   = candidates that are real  +  the correction that merging left open
    crossed = found  +  eggs that every sweep missed

The estimate is the median of ``crossed``: the most likely number where the uncertainty is small, and the one with the
least expected error where it is not. The interval is as wide as phantoms showed it must be to hold the true number for
nine of ten animals. Both are about what was within reach of the sweeps; about eggs out of reach a scan has no
information. Only for comparing two exams, whose sweeps had different reach, are those allowed for, by a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.special import expit, logit

from pipeline.calibration_tables import ConfidenceCalibration, CountCalibration
from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.clutch_prior import ClutchPrior
from pipeline.estimate.count_tolerance import probability_right
from pipeline.estimate.missed_eggs import MissedEggs
from pipeline.estimate.results import Count
from pipeline.settings_tables import EstimateSettings
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass, poisson
from pipeline.track.merging.merge import Egg

__all__ = ["CountEstimate", "calibrated_confidence", "clipped_log_odds", "count_when_unscanned", "estimate_count"]

_MIN_PROBABILITY = (
    1e-3  # no probability from a distribution is taken to be closer to 0 or 1; common practice, no source
)
_NEGLIGIBLE = 1e-6  # probability of a number of real candidates that is left out


@dataclass(frozen=True)
class CountEstimate:
    """count : as reported;  distribution : of the number that the sweeps crossed

    confidence : probability that the estimate is right (`pipeline.estimate.count_tolerance`), as calibrated on phantoms
    eggs : those listed; empty where nothing is likely enough to be counted
    uncounted : objects that may be real, but are not likely enough to be counted
    has_repeat_passes : whether any object could have been seen in two passes
    clutch_prior : the one used as evidence, None if none was
    """

    count: Count
    distribution: CountDistribution
    confidence: float
    eggs: tuple[Egg, ...]
    uncounted: tuple[Egg, ...]
    has_repeat_passes: bool = False
    clutch_prior: ClutchPrior | None = None


def estimate_count(
    candidates: Sequence[Egg],
    posterior: CandidatePosterior,
    count_correction: CountDistribution,
    missed: MissedEggs,
    *,
    shelled: bool,
    at_least: int,
    learned: CountCalibration,
    settings: EstimateSettings,
    both_windows: bool,
    clutch_prior: ClutchPrior | None = None,
) -> CountEstimate:
    """The count of the shelled eggs, or of the follicles.

    candidates : of that kind, with their ``posterior``
    count_correction : number of distinct objects minus the number of candidates, if all of these are real
    at_least : number of objects certainly seen together in one frame
    both_windows : whether left and right were swept;  clutch_prior : used as evidence if given
    """
    eggs = tuple(
        replace(egg, existence=float(existence)) for egg, existence in zip(candidates, posterior.existence, strict=True)
    )
    crossed = _crossed(posterior.real_count, count_correction, missed, settings.zero_count_prior)
    crossed = crossed.given_at_least(at_least).tempered(learned.inverse_temperature)
    if clutch_prior is not None:
        crossed = clutch_prior.reweighted(
            crossed, settings.both_windows_crossed_share if both_windows else settings.one_window_crossed_share
        )
    estimate = max(crossed.median, at_least)
    listed: tuple[Egg, ...] = ()
    if estimate:
        listed = tuple(egg for egg in eggs if egg.existence >= settings.listed_existence)
        # Several doubtful objects can make a count likely although none of them is: list what the count rests on.
        listed = listed or tuple(sorted(eggs, key=lambda egg: -egg.existence)[:estimate])
    counted = {egg.identity for egg in listed}
    uncounted = tuple(
        egg for egg in eggs if egg.identity not in counted and egg.existence >= settings.doubtful_existence
    )
    carried = crossed.plus(poisson(_expected_out_of_reach(crossed.mean, both_windows, settings)))
    tail = (1 - (learned.interval_probability if estimate else learned.interval_probability_if_none)) / 2
    low = max(min(crossed.quantile(tail), estimate), at_least)
    high = max(crossed.quantile(1 - tail), estimate, 1)
    return CountEstimate(
        count=Count(at_least, estimate, (low, high), carried.probabilities_from_zero),
        distribution=crossed,
        confidence=calibrated_confidence(probability_right(crossed, estimate, shelled=shelled), learned.confidence),
        eggs=listed,
        uncounted=uncounted,
        has_repeat_passes=missed.has_repeat_passes,
        clutch_prior=clutch_prior,
    )


def count_when_unscanned(settings: EstimateSettings) -> CountEstimate:
    """The estimate for an animal without a usable clip: nothing is known."""
    high = max(poisson(settings.unscanned_eggs).quantile(0.95), 1)
    return CountEstimate(Count(0, 0, (0, high)), point_mass(0), 0.0, (), ())


def calibrated_confidence(probability: float, calibration: ConfidenceCalibration) -> float:
    """How often counts are right to which the distribution gives this probability.

    A logistic regression on the log-odds of that probability (Platt 1999).
    """
    return float(expit(calibration.intercept + calibration.slope * clipped_log_odds(probability)))


def clipped_log_odds(probability: float) -> float:
    """Of a probability from a distribution, which is never taken to be certain."""
    return float(logit(min(max(probability, _MIN_PROBABILITY), 1 - _MIN_PROBABILITY)))


def _expected_out_of_reach(crossed: float, both_windows: bool, settings: EstimateSettings) -> float:
    """Expected number of eggs out of reach of the sweeps, given the mean number that they crossed."""
    if both_windows:
        return settings.unreached_eggs + settings.unreached_share * crossed
    return 2 * settings.unreached_eggs + settings.one_window_unreached_share * crossed


def _crossed(
    real: CountDistribution, count_correction: CountDistribution, missed: MissedEggs, zero_count_prior: float
) -> CountDistribution:
    parts = []
    for number, probability in zip(real.numbers.tolist(), real.probabilities.tolist(), strict=True):
        if probability > _NEGLIGIBLE:
            found = point_mass(0)
            if number:
                # At least one is left: a real object cannot be merged away with nothing.
                found = point_mass(number).plus(count_correction).given_at_least(1)
            parts.append((found.plus(missed.count_distribution(number, zero_count_prior)), probability))
    return mixture(parts)
