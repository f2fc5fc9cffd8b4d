"""How many: the bound, the estimate and the interval, from eggs that may be false, double or missed.

    found    = eggs that are real  +  what merging left open
    crossed  = found  +  missed by the detector  +  a spread that grows with the number
    carried  = crossed  +  out of the sweeps' reach

The estimate is the median of ``found``: the likeliest number wherever the doubt is small, and the one with
the least expected error where it is not. The interval runs from the 5 % point of ``crossed`` to the 95 %
point of ``carried``, so it holds what the sweeps crossed and what the animal carries.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, sqrt

import numpy as np

from pipeline.estimate.finding import Count
from pipeline.settings import EstimateSettings
from pipeline.track.distribution import Distribution, certainly, poisson, poisson_binomial
from pipeline.track.merging import Egg, Grouping

__all__ = ["Reach", "Tally", "tally", "unscanned"]


@dataclass(frozen=True)
class Reach:
    """both_windows : whether left and right were swept;  repeated : whether anything was swept twice"""

    both_windows: bool
    repeated: bool


@dataclass(frozen=True)
class Tally:
    """count : as reported;  crossed : distribution of the number the sweeps crossed

    eggs : those that are listed; empty where nothing was sure enough to be counted
    doubtful : objects likelier real than not that are not listed, since nothing was sure enough
    """

    count: Count
    crossed: Distribution
    eggs: tuple[Egg, ...]
    doubtful: tuple[Egg, ...]

    @property
    def confidence(self) -> float:
        """Probability that the estimate is within one of the number crossed."""
        return self.crossed.within(self.count.estimate - 1, self.count.estimate + 1)


def tally(grouping: Grouping, *, shelled: bool, at_least: int, reach: Reach, settings: EstimateSettings) -> Tally:
    """Count the shelled eggs, or the follicles. at_least : as surely seen together in one frame."""
    eggs = tuple(egg for egg in grouping.eggs if egg.is_shelled == shelled)
    likely = tuple(egg for egg in eggs if egg.existence >= settings.listed_existence)
    real = poisson_binomial(egg.existence for egg in eggs)
    found = real.plus(grouping.shifts[1 if shelled else 0]).at_least(at_least)
    crossed = _crossed(found, at_least, reach, settings)
    # One doubtful shape in an animal with nothing sure is more often gut or bladder than a clutch.
    counted = at_least > 0 or any(_is_sure(egg, shelled, settings) for egg in eggs)
    estimate = max(min(found.median, len(likely)), at_least) if counted else 0
    carried = crossed.plus(poisson(_unreached(crossed.mean, reach, settings)))
    low = max(min(crossed.quantile(0.05), estimate), at_least)
    high = max(carried.quantile(0.95), estimate, 1)
    return Tally(
        count=Count(at_least, estimate, (low, high), carried.chances),
        crossed=crossed,
        eggs=likely if estimate else (),
        doubtful=() if estimate else likely,
    )


def _is_sure(egg: Egg, shelled: bool, settings: EstimateSettings) -> bool:
    return egg.existence >= settings.gravid_existence and (not shelled or egg.assurance >= settings.gravid_score)


def unscanned(settings: EstimateSettings) -> Tally:
    """The tally of an animal of whom no clip could be used: nothing is known."""
    high = max(poisson(settings.unscanned).quantile(0.95), 1)
    return Tally(Count(0, 0, (0, high)), certainly(0), (), ())


def _crossed(found: Distribution, at_least: int, reach: Reach, settings: EstimateSettings) -> Distribution:
    missed = settings.missed_share if reach.repeated else settings.single_pass_missed_share
    number = max(found.mean, 0.0)
    # One more than were found, since where nothing was found an egg can be missed as well.
    crossed = found.plus(poisson(missed * (number + 1)))
    return crossed.plus(_spread(settings.relative_error * number)).at_least(at_least)


def _unreached(crossed: float, reach: Reach, settings: EstimateSettings) -> float:
    if reach.both_windows:
        return settings.unreached + settings.unreached_share * crossed
    return 2 * settings.unreached + settings.one_window_unreached_share * crossed


def _spread(deviation: float) -> Distribution:
    # A rounded normal error of mean 0.
    if deviation < 0.1:
        return certainly(0)
    widest = int(np.ceil(4 * deviation))
    edges = np.arange(-widest, widest + 2) - 0.5
    cumulative = np.array([0.5 * (1 + erf(edge / (deviation * sqrt(2)))) for edge in edges])
    weights = np.diff(cumulative)
    return Distribution(-widest, weights / weights.sum())
