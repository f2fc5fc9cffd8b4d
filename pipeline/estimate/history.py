"""The exams of one animal together: the change in number, eggs that have left her, and how long she has carried shells.

Both counts are uncertain, and so is their difference: it is computed from both distributions as if they were
independent. Eggs out of reach of every sweep are the same in both exams, so the interval is wider than necessary, never
narrower.
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
from pipeline.settings_tables import ChangeSettings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass

__all__ = ["AnimalBackground", "make_history"]


@dataclass(frozen=True)
class AnimalBackground:
    """What is known about an animal apart from the clips of one exam.

    profile : of her species, None if there is none;  earlier : her exams before this one
    outcomes : all that were ever recorded for her, in the order in which they were
    """

    profile: SpeciesProfile | None = None
    earlier: tuple[Visit, ...] = ()
    outcomes: tuple[Outcome, ...] = ()


def make_history(now: Visit, background: AnimalBackground, settings: ChangeSettings) -> History:
    """This exam together with the earlier ones of the same animal."""
    visits = (*sorted(background.earlier, key=lambda visit: visit.date), now)
    removals = [one for one in current_outcomes(background.outcomes) if one.kind in ("laid", "surgery")]
    passed = (
        _passed_before_first(visits[0], removals, settings),
        *(_passed_between(before, after, removals, settings) for before, after in pairwise(visits)),
    )
    last, change = _last_scanned(visits[:-1]), None
    if now.is_scanned and last is not None and (now.date - visits[last].date).days <= settings.maximum_same_clutch_days:
        change = _change(visits[last], now, _sum(passed[last + 1 :]))
    start, includes_earlier = _start_of_clutch(visits, passed, settings)
    passed_of_clutch = _sum(passed[start if includes_earlier else start + 1 :])
    with_shells = [visit.date for visit in visits[start:] if visit.is_scanned and visit.shelled.estimate]
    profile = background.profile
    return History(
        visits=visits,
        passed=passed,
        change=change,
        passed_of_clutch=passed_of_clutch,
        together=_clutch_total(passed_of_clutch, now.shelled) if now.is_scanned else None,
        usual_clutch=reference_range(profile.clutch) if profile else None,
        shells_since=with_shells[0] if with_shells and now.is_scanned and now.shelled.estimate else None,
        retention=reference_range(profile.retention_days) if profile else None,
    )


def _passed_before_first(visit: Visit, removals: Sequence[Outcome], settings: ChangeSettings) -> PassedEggs:
    """From exam.toml, or recorded so shortly before that the eggs were of the clutch she carried at the visit."""
    start = visit.date - dt.timedelta(days=settings.minimum_new_clutch_days)
    return _larger_number(visit.passed_before, [one for one in removals if start <= one.date < visit.date])


def _passed_between(before: Visit, after: Visit, removals: Sequence[Outcome], settings: ChangeSettings) -> PassedEggs:
    """From exam.toml, which holds the total laid before its exam, and from recorded outcomes.

    The increase of that total counts; where the total is smaller, it is of a clutch that began in between. An outcome
    recorded on the date of an exam came after it, since what came before is in exam.toml. The two sources describe the
    same eggs, and either may be incomplete, so the larger number counts. After a long time both are of another clutch.
    """
    if (after.date - before.date).days > settings.maximum_same_clutch_days:
        return _passed_before_first(after, removals, settings)
    increase = after.passed_before - before.passed_before
    noted = increase if increase >= 0 else after.passed_before
    return _larger_number(noted, [one for one in removals if before.date <= one.date < after.date])


def _larger_number(noted: int, recorded: Sequence[Outcome]) -> PassedEggs:
    number = sum(one.number or 0 for one in recorded)
    return PassedEggs(max(noted, number), all(one.number is not None for one in recorded))


def _sum(passed: Sequence[PassedEggs]) -> PassedEggs:
    return PassedEggs(sum(each.number for each in passed), all(each.is_whole for each in passed))


def _last_scanned(visits: Sequence[Visit]) -> int | None:
    return max((index for index, visit in enumerate(visits) if visit.is_scanned), default=None)


def _start_of_clutch(
    visits: Sequence[Visit], passed: Sequence[PassedEggs], settings: ChangeSettings
) -> tuple[int, bool]:
    """Index of the first exam of the clutch that the last exam shows, and whether eggs passed before it belong to it.

    An earlier exam is of the same clutch unless no shells were seen in it, or as many eggs as were seen are known to
    have left her since and there was time for new ones, or it is so long ago that no clutch is carried for that time.
    """
    start, removed = len(visits) - 1, 0
    for index in range(len(visits) - 2, -1, -1):
        visit = visits[index]
        removed += passed[index + 1].number
        if not visit.is_scanned:
            continue
        days = (visits[start].date - visit.date).days
        if 0 < visit.shelled.estimate <= removed and days >= settings.minimum_new_clutch_days:
            return start, False
        if not visit.shelled.estimate or days > settings.maximum_same_clutch_days:
            return index + 1, True
        start, removed = index, 0
    return 0, True


def _change(then: Visit, now: Visit, passed: PassedEggs) -> Change | None:
    """None where a distribution is unknown."""
    if not all(count.chances for visit in (then, now) for count in (visit.shelled, visit.follicles)):
        return None
    shelled_then, shelled_now = _carried(then.shelled), _carried(now.shelled)
    follicles_then, follicles_now = _carried(then.follicles), _carried(now.follicles)
    fewer = shelled_then.plus(shelled_now.subtracted_from(0))
    fewer_follicles = follicles_then.plus(follicles_now.subtracted_from(0))
    missing = fewer.plus(point_mass(-passed.number))
    # Every earlier follicle may have become an egg since, and every follicle that is gone may be one of the eggs.
    missing_if_all_grew = missing.plus(follicles_then)
    missing_of_both_kinds = missing.plus(fewer_follicles)
    return Change(
        since=then.date,
        days=(now.date - then.date).days,
        fewer=_difference(fewer, then.shelled.estimate - now.shelled.estimate),
        fewer_follicles=_difference(fewer_follicles, then.follicles.estimate - now.follicles.estimate),
        passed=passed,
        missing=_probability_above_zero(missing),
        risen=_probability_below_zero(missing_if_all_grew),
        new_follicles=_probability_below_zero(fewer_follicles),
        regressed=min(_probability_above_zero(fewer_follicles), _probability_above_zero(missing_of_both_kinds)),
    )


def _clutch_total(passed: PassedEggs, shelled: Count) -> Difference:
    low, high = shelled.interval90
    return Difference(passed.number + shelled.estimate, (passed.number + low, passed.number + high))


def _carried(count: Count) -> CountDistribution:
    return CountDistribution(0, np.array(count.chances))


def _difference(distribution: CountDistribution, estimate: int) -> Difference:
    """``estimate`` is the difference of the two reported counts, so an interval that leaves it out is widened."""
    low, high = distribution.quantile(0.05), distribution.quantile(0.95)
    return Difference(estimate, (min(low, estimate), max(high, estimate)))


def _probability_above_zero(distribution: CountDistribution) -> float:
    return distribution.probability_within(1, int(distribution.numbers[-1]))


def _probability_below_zero(distribution: CountDistribution) -> float:
    return distribution.probability_within(distribution.lowest, -1)
