"""The exams of an animal together, with numbers whose differences can be worked out by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from pipeline.estimate.history import AnimalBackground, make_history
from pipeline.estimate.results import Count, Difference, History, PassedEggs, Visit
from pipeline.exams.outcomes import Outcome, OutcomeKind
from pipeline.exams.species import find_profile, load_profiles
from pipeline.settings import load_settings

SETTINGS = load_settings().change
EMYS = find_profile("Emys orbicularis", load_profiles())
MAY = dt.date(2026, 5, 1)


def counted(estimate: int, *, doubt: float = 0.0) -> Count:
    """A count that is one too low, or one too high, with a probability of ``doubt`` each."""
    chances = [0.0] * (estimate + 2)
    chances[estimate] = 1 - 2 * doubt if estimate else 1 - doubt
    chances[estimate + 1] = doubt
    if estimate:
        chances[estimate - 1] = doubt
    reach = 1 if doubt > 0.05 else 0
    return Count(0, estimate, (max(0, estimate - reach), estimate + reach), tuple(chances))


NOTHING = Count(0, 0, (0, 1))


def visit(
    on: int,
    shelled: int | Count,
    follicles: int | Count = 0,
    *,
    passed: int = 0,
    stage: str = "calcified",
    scanned: bool = True,
) -> Visit:
    one = counted(shelled) if isinstance(shelled, int) else shelled
    other = counted(follicles) if isinstance(follicles, int) else follicles
    listed = (other.estimate, 0, one.estimate)
    return Visit(MAY + dt.timedelta(days=on), scanned, one, other, stage, 0.97, listed, passed)


def unscanned(on: int) -> Visit:
    return visit(on, NOTHING, NOTHING, scanned=False, stage="none seen")


def outcome(kind: OutcomeKind, on: int, number: int | None) -> Outcome:
    return Outcome("AF-0412", kind, MAY + dt.timedelta(days=on), number)


def history(*visits: Visit, outcomes: tuple[Outcome, ...] = (), profile: bool = True) -> History:
    background = AnimalBackground(EMYS if profile else None, visits[:-1], outcomes)
    return make_history(visits[-1], background, SETTINGS)


def test_a_first_exam_has_nothing_to_compare_with() -> None:
    alone = history(visit(0, 8), profile=False)
    assert alone.change is None
    assert alone.together == Difference(8, (8, 8))
    assert alone.shells_since == MAY
    assert alone.shell_days == 0
    assert alone.usual_clutch is None
    assert alone.retention is None


def test_eggs_passed_before_arrival_are_added_to_those_still_seen() -> None:
    """3 passed and 8 still seen make 11; the species has 3 to 18 (Fritz 2001)."""
    arrived = history(visit(0, counted(8, doubt=0.1), passed=3))
    assert arrived.passed_of_clutch == PassedEggs(3)
    assert arrived.together == Difference(11, (10, 12))
    assert arrived.usual_clutch is not None
    assert arrived.usual_clutch.bounds == (3, 18)


def test_the_difference_has_an_interval_from_both_counts() -> None:
    """8 and 5, each one off with 0.1 either way: the difference is 3 +- 1 with 0.66 + 2 x 0.16, +- 2 with 0.01 each."""
    change = history(visit(0, counted(8, doubt=0.1)), visit(6, counted(5, doubt=0.1))).change
    assert change is not None
    assert (change.since, change.days) == (MAY, 6)
    assert change.fewer == Difference(3, (2, 4))
    assert change.missing == pytest.approx(1.0)
    assert change.risen == 0.0
    one_less = history(visit(0, counted(8, doubt=0.1)), visit(6, counted(7, doubt=0.1))).change
    assert one_less is not None
    assert one_less.fewer == Difference(1, (0, 2))
    assert one_less.missing == pytest.approx(0.66 + 0.16 + 0.01)


def test_the_interval_includes_the_difference_of_the_reported_counts() -> None:
    """An estimate may be far from the middle of its distribution, where much was out of reach of the sweeps."""
    reaching = Count(5, 5, (5, 9), (0.0,) * 7 + (0.5, 0.5))
    change = history(visit(0, 5), visit(6, reaching)).change
    assert change is not None
    assert change.fewer == Difference(0, (-3, 0))


def test_what_is_known_to_have_left_is_not_missing() -> None:
    passed = history(visit(0, 8), visit(6, 5), outcomes=(outcome("laid", 3, 3),)).change
    assert passed is not None
    assert passed.passed == PassedEggs(3)
    assert passed.fewer.estimate == 3
    assert passed.missing == 0.0
    assert passed.risen == 0.0
    more = history(visit(0, 8), visit(6, 5), outcomes=(outcome("laid", 3, 2), outcome("surgery", 4, 3))).change
    assert more is not None
    assert more.risen == 1.0


def test_earlier_follicles_may_have_become_eggs() -> None:
    grown = history(visit(0, 0, 6, stage="follicle"), visit(12, 6, 0)).change
    assert grown is not None
    assert grown.risen == 0.0
    assert grown.regressed == 0.0
    assert grown.fewer_follicles.estimate == 6
    lost = history(visit(0, 0, 6, stage="follicle"), visit(12, 0, 1, stage="follicle")).change
    assert lost is not None
    assert lost.regressed == 1.0
    new = history(visit(0, 4, 0), visit(12, 4, 5)).change
    assert new is not None
    assert new.new_follicles == 1.0
    assert new.risen == 0.0


@pytest.mark.parametrize(("shelled", "risen"), [(6, 0.0), (7, 1.0)])
def test_more_eggs_than_the_earlier_eggs_and_follicles_can_account_for(shelled: int, risen: float) -> None:
    change = history(visit(0, 4, 2), visit(12, shelled, 0)).change
    assert change is not None
    assert change.risen == risen


@pytest.mark.parametrize(("too_late", "passed"), [(False, PassedEggs(3)), (True, PassedEggs(5))])
def test_exams_are_compared_up_to_the_longest_time_that_a_clutch_is_carried(too_late: bool, passed: PassedEggs) -> None:
    """After that, all that is noted in exam.toml is of the new clutch."""
    days = SETTINGS.maximum_same_clutch_days + too_late
    both = history(visit(0, 8, passed=2), visit(days, 5, passed=5))
    assert (both.change is None) == too_late
    assert both.shell_days == (0 if too_late else days)
    assert both.passed[1] == passed


def test_exam_toml_and_recorded_outcomes_describe_the_same_eggs() -> None:
    both = history(visit(0, 8), visit(6, 5, passed=3), outcomes=(outcome("laid", 3, 2),))
    assert both.passed == (PassedEggs(0), PassedEggs(3))
    cumulative = history(visit(0, 8, passed=2), visit(6, 5, passed=5))
    assert cumulative.passed == (PassedEggs(2), PassedEggs(3))
    assert cumulative.passed_of_clutch == PassedEggs(5)
    begun_anew = history(visit(0, 8, passed=4), visit(6, 5, passed=1))
    assert begun_anew.passed == (PassedEggs(4), PassedEggs(1))


def test_uncounted_eggs_are_marked_as_such() -> None:
    change = history(visit(0, 8), visit(6, 5), outcomes=(outcome("laid", 3, None),)).change
    assert change is not None
    assert change.passed == PassedEggs(0, is_whole=False)


def test_eggs_laid_on_the_day_of_an_exam_came_after_it() -> None:
    outcomes = (outcome("laid", 0, 2), outcome("laid", 6, 3), outcome("hatched", 4, 9), outcome("radiograph", 4, 9))
    assert history(visit(0, 8), visit(6, 6), outcomes=outcomes).passed == (PassedEggs(0), PassedEggs(2))


def test_shells_are_carried_since_the_first_exam_that_showed_them() -> None:
    kept = history(visit(0, 0, 5, stage="follicle"), visit(10, 5), unscanned(20), visit(40, 5))
    assert kept.shell_days == 30
    assert kept.retention is not None
    assert kept.retention.bounds == (21, 28)
    assert kept.change is not None
    assert kept.change.days == 30
    gone = history(visit(0, 5), visit(30, 0))
    assert gone.shells_since is None


def test_eggs_laid_long_before_the_first_exam_are_of_another_clutch() -> None:
    recent = history(visit(0, 5), outcomes=(outcome("laid", -4, 3), outcome("laid", -30, 6)))
    assert recent.passed_of_clutch == PassedEggs(3)


def test_eggs_laid_between_none_seen_and_shells_are_of_the_clutch() -> None:
    seen = history(visit(0, 0), replace(unscanned(5), passed_before=2), visit(10, 5, passed=2))
    assert seen.passed_of_clutch == PassedEggs(2)
    assert seen.shell_days == 0


def test_a_second_clutch_starts_again_at_zero() -> None:
    laid = (outcome("laid", 8, 7),)
    second = history(visit(0, 7), visit(40, 6), outcomes=laid)
    assert second.shell_days == 0
    assert second.passed_of_clutch == PassedEggs(0)
    # New shells cannot form so soon after laying: she was still laying, and the first count was too low.
    soon = history(visit(0, 7), visit(8, 2), outcomes=(outcome("laid", 6, 7),))
    assert soon.shell_days == 8
    assert soon.passed_of_clutch == PassedEggs(7)


def test_an_exam_of_last_year_is_not_compared() -> None:
    late = history(visit(-365, 5, passed=3), visit(0, 8, passed=4))
    assert late.change is None
    assert late.shell_days == 0
    assert late.passed_of_clutch == PassedEggs(4)


def test_an_exam_without_a_usable_clip_is_not_compared() -> None:
    blind = history(visit(0, 8), unscanned(6))
    assert blind.change is None
    assert blind.together is None
    assert len(blind.visits) == 2
    kept_without_chances = history(visit(0, Count(5, 8, (6, 9))), visit(6, 5))
    assert kept_without_chances.change is None


def test_the_order_of_the_exams_does_not_matter() -> None:
    one, two, three = visit(0, 8), visit(5, 6), visit(9, 2)
    assert history(one, two, three) == history(two, one, three)
