"""The rule by which exams and outcomes are matched, case by case."""

from __future__ import annotations

import pytest

from pipeline.agreement.pairs import MatchRule, Station, pair_exams_with_outcomes
from pipeline.exams.outcomes import Outcome, current_outcomes
from pipeline.report.summary import ExamSummary
from tests.pipeline.agreement.conftest import day, exam, outcome

RULE = MatchRule(max_days_to_radiograph=7, max_days_to_first_egg=28, max_days_between_eggs=7)


def known(summaries: list[ExamSummary], *outcomes: Outcome) -> list[tuple[int, int]]:
    """Of every paired exam, the days since 1 May and the number of eggs by its outcomes."""
    pairs = pair_exams_with_outcomes(Station(summaries, outcomes), RULE)
    return [((pair.summary.exam.date - day(0)).days, pair.known_count) for pair in pairs]


@pytest.mark.parametrize(("on", "paired"), [(2, False), (3, True), (17, True), (18, False)])
def test_a_radiograph_counts_a_week_either_way(on: int, paired: bool) -> None:
    assert known([exam(10)], outcome("radiograph", on, 7)) == ([(10, 7)] if paired else [])


@pytest.mark.parametrize(("on", "paired"), [(9, False), (10, True), (38, True), (39, False)])
def test_laid_eggs_count_from_the_day_of_the_exam_for_four_weeks(on: int, paired: bool) -> None:
    assert known([exam(10)], outcome("laid", on, 7)) == ([(10, 7)] if paired else [])


def test_eggs_of_one_clutch_are_summed_and_those_of_the_next_are_not() -> None:
    portions = [outcome("laid", 20, 5), outcome("surgery", 27, 3), outcome("laid", 35, 9)]
    assert known([exam(10)], *portions) == [(10, 8)]


def test_a_clutch_with_eggs_that_were_not_counted_has_no_pair() -> None:
    assert known([exam(10)], outcome("laid", 20, 5), outcome("laid", 21, None)) == []


def test_a_radiograph_is_preferred_to_eggs_laid_and_the_nearest_to_others() -> None:
    assert known([exam(10)], outcome("laid", 20, 5), outcome("radiograph", 14, 7), outcome("radiograph", 8, 6)) == [
        (10, 6)
    ]


@pytest.mark.parametrize(
    ("radiograph", "laid", "expected"),
    [(12, 11, 4), (12, 12, 4), (12, 13, 9), (8, 9, None), (8, 8, None), (8, 10, 9)],
)
def test_a_radiograph_counts_only_if_no_egg_left_in_between(radiograph: int, laid: int, expected: int | None) -> None:
    found = known([exam(10)], outcome("radiograph", radiograph, 9), outcome("laid", laid, 4))
    assert found == ([] if expected is None else [(10, expected)])


def test_an_earlier_radiograph_does_not_count_where_eggs_were_passed_on_an_unknown_day() -> None:
    assert known([exam(10, passed_before=2)], outcome("radiograph", 9, 9)) == []
    assert known([exam(10, passed_before=2)], outcome("radiograph", 11, 7)) == [(10, 7)]


def test_an_outcome_is_compared_with_the_nearest_exam_only() -> None:
    assert known([exam(1), exam(6), exam(9)], outcome("laid", 12, 7)) == [(9, 7)]
    # The second exam saw what was left of a clutch; the first one's sum shares an outcome with it.
    assert known([exam(1), exam(8)], outcome("laid", 5, 3), outcome("laid", 9, 5)) == [(8, 5)]
    assert known([exam(4), exam(8)], outcome("radiograph", 6, 7)) == [(8, 7)]


def test_two_clutches_of_one_animal_are_two_pairs() -> None:
    assert known([exam(1), exam(50)], outcome("laid", 12, 7), outcome("laid", 60, 8)) == [(1, 7), (50, 8)]


def test_animals_are_kept_apart_but_the_case_of_their_ids_is_ignored() -> None:
    assert known([exam(1)], outcome("laid", 5, 7, animal="AF-0413")) == []
    assert known([exam(1)], outcome("laid", 5, 7, animal="af-0412")) == [(1, 7)]


def test_hatchlings_and_exams_without_a_usable_clip_are_no_pair() -> None:
    assert known([exam(1)], outcome("hatched", 5, 7)) == []
    assert known([exam(1, frames_used=0)], outcome("laid", 5, 7)) == []


def test_for_one_animal_kind_and_date_the_last_record_counts() -> None:
    first, second = outcome("laid", 5, 7), outcome("laid", 5, 6)
    assert known([exam(1)], first, second) == [(1, 6)]
    assert known([exam(1)], second, first) == [(1, 7)]
    assert current_outcomes([first, outcome("laid", 5, None, withdrawn=True)]) == []
    assert current_outcomes([outcome("laid", 5, None, withdrawn=True), first]) == [first]
    other = outcome("surgery", 4, 1)
    assert current_outcomes([first, other]) == [other, first]


def test_the_difference_of_a_pair() -> None:
    over, under, within = (
        pair_exams_with_outcomes(Station([exam(1, 8)], [outcome("laid", 5, n)]), RULE)[0] for n in (6, 11, 10)
    )
    assert [(pair.difference, pair.is_within_interval) for pair in (over, under, within)] == [
        (2, False),
        (-3, False),
        (-2, True),
    ]
