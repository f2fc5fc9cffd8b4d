"""What an animal's exams say together: how many eggs fewer, what has left her, how long she has carried shells.

Both numbers are doubtful, so their difference is, too: it is taken over both distributions as if they were
independent. Eggs that lie out of every sweep's reach are the same in both exams, so the interval is wider than it need
be, never narrower.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.estimate.results import Change, Count, Difference, History, PassedEggs, Visit
from pipeline.exams.outcomes import Outcome, current_outcomes
from pipeline.exams.species import SpeciesProfile, reference_range
from pipeline.settings import ChangeSettings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass

__all__ = ["AnimalBackground", "make_history"]


@dataclass(frozen=True)
class AnimalBackground:
    """What is known of an animal beside the recordings of one exam.

    profile : of her species, None if there is none;  earlier : her exams before this one
    outcomes : all that was ever told of her, in the order in which it was
    """

    profile: SpeciesProfile | None = None
    earlier: tuple[Visit, ...] = ()
    outcomes: tuple[Outcome, ...] = ()


def make_history(now: Visit, background: AnimalBackground, settings: ChangeSettings) -> History:
    """This exam among the earlier ones of the same animal."""
    visits = (*sorted(background.earlier, key=lambda visit: visit.date), now)
    left = [one for one in current_outcomes(background.outcomes) if one.kind in ("laid", "surgery")]
    passed = (
        _passed_before_first(visits[0], left, settings),
        *(_passed_between(one, other, left, settings) for one, other in pairwise(visits)),
    )
    last, change = _last_scanned(visits[:-1]), None
    if now.is_scanned and last is not None and (now.date - visits[last].date).days <= settings.maximum_same_clutch_days:
        change = _change(visits[last], now, _sum(passed[last + 1 :]))
    begin, came_with_it = _begin_of_clutch(visits, passed, settings)
    of_clutch = _sum(passed[begin if came_with_it else begin + 1 :])
    with_shells = [visit.date for visit in visits[begin:] if visit.is_scanned and visit.shelled.estimate]
    profile = background.profile
    return History(
        visits=visits,
        passed=passed,
        change=change,
        passed_of_clutch=of_clutch,
        together=_together(of_clutch, now.shelled) if now.is_scanned else None,
        usual_clutch=reference_range(profile.clutch) if profile else None,
        shells_since=with_shells[0] if with_shells and now.is_scanned and now.shelled.estimate else None,
        retention=reference_range(profile.retention_days) if profile else None,
    )


def _passed_before_first(visit: Visit, left: Sequence[Outcome], settings: ChangeSettings) -> PassedEggs:
    """Told by the side file, or recorded so shortly before that it was of the clutch she carried then."""
    begin = visit.date - dt.timedelta(days=settings.minimum_new_clutch_days)
    return _more_of(visit.passed_before, [one for one in left if begin <= one.date < visit.date])


def _passed_between(before: Visit, after: Visit, left: Sequence[Outcome], settings: ChangeSettings) -> PassedEggs:
    """exam.toml tells all that was laid before its exam, so the increase; a smaller number is of a clutch begun since.

    What was recorded on an exam's date came after it, since what came before is noted in exam.toml. The two tell of
    the same eggs, and neither need tell of all: the larger holds. After a long time both are of another clutch.
    """
    if (after.date - before.date).days > settings.maximum_same_clutch_days:
        return _passed_before_first(after, left, settings)
    increase = after.passed_before - before.passed_before
    told = increase if increase >= 0 else after.passed_before
    return _more_of(told, [one for one in left if before.date <= one.date < after.date])


def _more_of(told: int, recorded: Sequence[Outcome]) -> PassedEggs:
    number = sum(one.number or 0 for one in recorded)
    return PassedEggs(max(told, number), all(one.number is not None for one in recorded))


def _sum(passed: Sequence[PassedEggs]) -> PassedEggs:
    return PassedEggs(sum(each.number for each in passed), all(each.is_whole for each in passed))


def _last_scanned(visits: Sequence[Visit]) -> int | None:
    return max((place for place, visit in enumerate(visits) if visit.is_scanned), default=None)


def _begin_of_clutch(
    visits: Sequence[Visit], passed: Sequence[PassedEggs], settings: ChangeSettings
) -> tuple[int, bool]:
    """Place of the first exam of the clutch that the last one shows, and whether what passed before it was of it, too.

    An earlier exam is of the same clutch unless no shells were seen in it, or as many eggs as were seen are known to
    have left her since and there was time for others, or it lies so far back that no clutch is carried so long.
    """
    begin, left = len(visits) - 1, 0
    for place in range(len(visits) - 2, -1, -1):
        visit = visits[place]
        left += passed[place + 1].number
        if not visit.is_scanned:
            continue
        days = (visits[begin].date - visit.date).days
        if 0 < visit.shelled.estimate <= left and days >= settings.minimum_new_clutch_days:
            return begin, False
        if not visit.shelled.estimate or days > settings.maximum_same_clutch_days:
            return place + 1, True
        begin, left = place, 0
    return 0, True


def _change(then: Visit, now: Visit, passed: PassedEggs) -> Change | None:
    if not all(count.chances for visit in (then, now) for count in (visit.shelled, visit.follicles)):
        return None
    shelled_then, shelled_now = _carried(then.shelled), _carried(now.shelled)
    follicles_then, follicles_now = _carried(then.follicles), _carried(now.follicles)
    fewer = shelled_then.plus(shelled_now.subtracted_from(0))
    fewer_follicles = follicles_then.plus(follicles_now.subtracted_from(0))
    missing = fewer.plus(point_mass(-passed.number))
    # Every follicle of then may have become an egg since, and every one that is gone may be among the eggs.
    unexplained = missing.plus(follicles_then)
    gone = missing.plus(fewer_follicles)
    return Change(
        since=then.date,
        days=(now.date - then.date).days,
        fewer=_difference(fewer, then.shelled.estimate - now.shelled.estimate),
        fewer_follicles=_difference(fewer_follicles, then.follicles.estimate - now.follicles.estimate),
        passed=passed,
        missing=_above_zero(missing),
        risen=_below_zero(unexplained),
        new_follicles=_below_zero(fewer_follicles),
        regressed=min(_above_zero(fewer_follicles), _above_zero(gone)),
    )


def _together(passed: PassedEggs, shelled: Count) -> Difference:
    low, high = shelled.interval90
    return Difference(passed.number + shelled.estimate, (passed.number + low, passed.number + high))


def _carried(count: Count) -> CountDistribution:
    return CountDistribution(0, np.array(count.chances))


def _difference(distribution: CountDistribution, estimate: int) -> Difference:
    """The estimate is the difference of the two that people read, so it widens an interval that leaves it out."""
    low, high = distribution.quantile(0.05), distribution.quantile(0.95)
    return Difference(estimate, (min(low, estimate), max(high, estimate)))


def _above_zero(distribution: CountDistribution) -> float:
    return distribution.probability_within(1, int(distribution.numbers[-1]))


def _below_zero(distribution: CountDistribution) -> float:
    return distribution.probability_within(distribution.lowest, -1)
