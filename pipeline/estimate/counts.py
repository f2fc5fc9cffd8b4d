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

from pipeline.estimate.candidates import Sifted
from pipeline.estimate.clutch_prior import UsualClutch
from pipeline.estimate.finding import Count
from pipeline.estimate.missed_eggs import Overlooked
from pipeline.settings import Counting, EstimateSettings, Trust
from pipeline.track.merging.count_distribution import Distribution, certainly, mixture, poisson
from pipeline.track.merging.merge import Egg

__all__ = ["Tally", "stated_log_odds", "tally", "trusted", "unscanned"]

_LEAST_DOUBT = 1e-3  # no distribution is surer than this, or less sure
_NEGLIGIBLE = 1e-6  # probability of a number of real candidates that is left out


@dataclass(frozen=True)
class Tally:
    """count : as reported;  crossed : distribution of the number the sweeps crossed

    confidence : probability that the estimate is within one of that number, as learned on phantoms
    eggs : those that are listed; empty where nothing was sure enough to be counted
    doubtful : objects that may be real and are not listed, since none is likelier
    repeated : whether any object could have been met twice;  clutch : that counted as evidence, if any
    """

    count: Count
    crossed: Distribution
    confidence: float
    eggs: tuple[Egg, ...]
    doubtful: tuple[Egg, ...]
    repeated: bool = False
    clutch: UsualClutch | None = None


def tally(
    candidates: Sequence[Egg],
    sifted: Sifted,
    shift: Distribution,
    missed: Overlooked,
    *,
    at_least: int,
    learned: Counting,
    settings: EstimateSettings,
    both_windows: bool,
    clutch: UsualClutch | None = None,
) -> Tally:
    """Count the shelled eggs, or the follicles.

    candidates : of that kind, weighed as ``sifted``;  shift : distinct objects less those listed, if all are real
    at_least : as surely seen together in one frame
    both_windows : whether left and right were swept;  clutch : counted as evidence if given
    """
    eggs = tuple(replace(egg, existence=float(real)) for egg, real in zip(candidates, sifted.existence, strict=True))
    crossed = _crossed(sifted.number, shift, missed, settings.none_prior).at_least(at_least)
    crossed = crossed.raised(learned.sharpness)
    if clutch is not None:
        crossed = clutch.weighed(crossed, settings.both_windows_cross if both_windows else settings.one_window_crosses)
    estimate = max(crossed.median, at_least)
    listed = settings.listed_existence if estimate else settings.doubtful_existence
    likely = tuple(egg for egg in eggs if egg.existence >= listed)
    if estimate and not likely:
        # Several doubtful ones can make one likely that none of them is: what a count rests on is shown.
        likely = tuple(sorted(eggs, key=lambda egg: -egg.existence)[:estimate])
    carried = crossed.plus(poisson(_unreached(crossed.mean, both_windows, settings)))
    beyond = (1 - learned.interval) / 2
    low = max(min(crossed.quantile(beyond), estimate), at_least)
    high = max(crossed.quantile(1 - beyond), estimate, 1)
    return Tally(
        count=Count(at_least, estimate, (low, high), carried.chances),
        crossed=crossed,
        confidence=trusted(crossed.within(estimate - 1, estimate + 1), learned.trust),
        eggs=likely if estimate else (),
        doubtful=() if estimate else likely,
        repeated=missed.repeated,
        clutch=clutch,
    )


def unscanned(settings: EstimateSettings) -> Tally:
    """The tally of an animal of whom no clip could be used: nothing is known."""
    high = max(poisson(settings.unscanned).quantile(0.95), 1)
    return Tally(Count(0, 0, (0, high)), certainly(0), 0.0, (), ())


def trusted(probability: float, trust: Trust) -> float:
    """How often numbers are right of which the distributions say so with this probability (Platt 1999: a logistic
    regression on log-odds, here of the distributions' own).
    """
    return 1 / (1 + math.exp(-trust.base - trust.slope * stated_log_odds(probability)))


def stated_log_odds(probability: float) -> float:
    """Of what a distribution says, kept from being surer than any distribution can be."""
    bounded = min(max(probability, _LEAST_DOUBT), 1 - _LEAST_DOUBT)
    return math.log(bounded / (1 - bounded))


def _unreached(crossed: float, both_windows: bool, settings: EstimateSettings) -> float:
    if both_windows:
        return settings.unreached + settings.unreached_share * crossed
    return 2 * settings.unreached + settings.one_window_unreached_share * crossed


def _crossed(real: Distribution, shift: Distribution, missed: Overlooked, none: float) -> Distribution:
    # Neither can fewer than none be left after merging, nor one that is real be merged away with nothing.
    parts = []
    for number, probability in zip(real.numbers.tolist(), real.probabilities.tolist(), strict=True):
        if probability > _NEGLIGIBLE:
            distinct = certainly(number).plus(shift).at_least(min(number, 1)) if number else certainly(0)
            parts.append((distinct.plus(missed.beside(number, none)), probability))
    return mixture(parts)
