"""How many: the bound, the estimate and the interval, from objects that may be false, double or overlooked.

    found   = those of the candidates that are real  +  what merging left open
    crossed = found  +  those that every sweep overlooked

The estimate is the median of ``crossed``: the likeliest number wherever the doubt is small, and the one with the least
expected error where it is not. The interval is as sure as was learned on phantoms to hold the truth in nine of ten
animals. Both speak of what lay within reach of the sweeps; what lay beyond no scan can know. Only where two exams are
compared, whose sweeps reached differently, is it allowed for by a guess.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.calibration_file import ConfidenceCalibration, CountCalibration
from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.clutch_prior import ClutchPrior
from pipeline.estimate.missed_eggs import MissedEggs
from pipeline.estimate.results import Count
from pipeline.settings import EstimateSettings
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass, poisson
from pipeline.track.merging.merge import Egg

__all__ = ["CountEstimate", "calibrated_confidence", "clipped_log_odds", "count_when_unscanned", "estimate_count"]

_LEAST_DOUBT = 1e-3  # no distribution is surer than this, or less sure
_NEGLIGIBLE = 1e-6  # probability of a number of real candidates that is left out


@dataclass(frozen=True)
class CountEstimate:
    """count : as reported;  distribution : of the number the sweeps crossed

    confidence : probability that the estimate is within one of that number, as learned on phantoms
    eggs : those that are listed; empty where nothing was sure enough to be counted
    doubtful : objects that may be real and are not listed, since none is likelier
    has_repeat_passes : whether any object could have been met twice;  clutch_prior : that counted as evidence, if any
    """

    count: Count
    distribution: CountDistribution
    confidence: float
    eggs: tuple[Egg, ...]
    doubtful: tuple[Egg, ...]
    has_repeat_passes: bool = False
    clutch_prior: ClutchPrior | None = None


def estimate_count(
    candidates: Sequence[Egg],
    posterior: CandidatePosterior,
    count_correction: CountDistribution,
    missed: MissedEggs,
    *,
    at_least: int,
    learned: CountCalibration,
    settings: EstimateSettings,
    both_windows: bool,
    clutch_prior: ClutchPrior | None = None,
) -> CountEstimate:
    """Count the shelled eggs, or the follicles.

    candidates : of that kind, weighed as ``posterior``;  count_correction : distinct objects less those listed, if all are real
    at_least : as surely seen together in one frame
    both_windows : whether left and right were swept;  clutch_prior : counted as evidence if given
    """
    eggs = tuple(replace(egg, existence=float(real)) for egg, real in zip(candidates, posterior.existence, strict=True))
    crossed = _crossed(posterior.real_count, count_correction, missed, settings.zero_count_prior).given_at_least(
        at_least
    )
    crossed = crossed.tempered(learned.inverse_temperature)
    if clutch_prior is not None:
        crossed = clutch_prior.reweighted(
            crossed, settings.both_windows_crossed_share if both_windows else settings.one_window_crossed_share
        )
    estimate = max(crossed.median, at_least)
    listed = settings.listed_existence if estimate else settings.doubtful_existence
    likely = tuple(egg for egg in eggs if egg.existence >= listed)
    if estimate and not likely:
        # Several doubtful ones can make one likely that none of them is: what a count rests on is shown.
        likely = tuple(sorted(eggs, key=lambda egg: -egg.existence)[:estimate])
    carried = crossed.plus(poisson(_unreached(crossed.mean, both_windows, settings)))
    beyond = (1 - learned.interval_probability) / 2
    low = max(min(crossed.quantile(beyond), estimate), at_least)
    high = max(crossed.quantile(1 - beyond), estimate, 1)
    return CountEstimate(
        count=Count(at_least, estimate, (low, high), carried.probabilities_from_zero),
        distribution=crossed,
        confidence=calibrated_confidence(crossed.probability_within(estimate - 1, estimate + 1), learned.confidence),
        eggs=likely if estimate else (),
        doubtful=() if estimate else likely,
        has_repeat_passes=missed.has_repeat_passes,
        clutch_prior=clutch_prior,
    )


def count_when_unscanned(settings: EstimateSettings) -> CountEstimate:
    """The estimate for an animal of whom no clip could be used: nothing is known."""
    high = max(poisson(settings.unscanned_eggs).quantile(0.95), 1)
    return CountEstimate(Count(0, 0, (0, high)), point_mass(0), 0.0, (), ())


def calibrated_confidence(probability: float, calibration: ConfidenceCalibration) -> float:
    """How often numbers are right of which the distributions say so with this probability (Platt 1999: a logistic
    regression on log-odds, here of the distributions' own).
    """
    return 1 / (1 + math.exp(-calibration.intercept - calibration.slope * clipped_log_odds(probability)))


def clipped_log_odds(probability: float) -> float:
    """Of what a distribution says, kept from being surer than any distribution can be."""
    bounded = min(max(probability, _LEAST_DOUBT), 1 - _LEAST_DOUBT)
    return math.log(bounded / (1 - bounded))


def _unreached(crossed: float, both_windows: bool, settings: EstimateSettings) -> float:
    if both_windows:
        return settings.unreached_eggs + settings.unreached_share * crossed
    return 2 * settings.unreached_eggs + settings.one_window_unreached_share * crossed


def _crossed(
    real: CountDistribution, count_correction: CountDistribution, missed: MissedEggs, none: float
) -> CountDistribution:
    # Neither can fewer than none be left after merging, nor one that is real be merged away with nothing.
    parts = []
    for number, probability in zip(real.numbers.tolist(), real.probabilities.tolist(), strict=True):
        if probability > _NEGLIGIBLE:
            distinct = (
                point_mass(number).plus(count_correction).given_at_least(min(number, 1)) if number else point_mass(0)
            )
            parts.append((distinct.plus(missed.count_distribution(number, none)), probability))
    return mixture(parts)
