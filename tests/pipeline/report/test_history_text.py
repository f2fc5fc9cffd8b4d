"""The sentences and rows about all exams of an animal."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pipeline.estimate.results import Change, Difference, History, PassedEggs
from pipeline.exams.species import ReferenceRange
from pipeline.formatting import EN_DASH
from pipeline.report.history_text import change_text, history_rows, history_sentences, history_sources, passed_text

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

MINUS = "\N{MINUS SIGN}"


def with_change(history: History, **values: object) -> list[str]:
    assert history.change is not None
    return history_sentences(replace(history, change=replace(history.change, **values)))  # type: ignore[arg-type]


def test_sentences_about_change_time_and_clutch(returning: ExampleExam) -> None:
    """Emys orbicularis: 3 to 18 eggs (Fritz 2001, from memory), 21 to 28 days (Zuffi 1998)."""
    change, shells, clutch = history_sentences(returning.finding.history)
    assert change == change_text(returning.finding.history)
    assert change == (
        "2 to 5 fewer shelled eggs than on 8 May 2026, 6 days earlier; 3 are known to have left her since."
    )
    assert shells == (
        "Shells were first seen 24 days ago, on 20 April 2026. Usual time from ovulation to laying: 21 to 28 days."
    )
    assert clutch == (
        f"3 left her before this exam; about 4 seen now: 7 in total (7{EN_DASH}9). Usual clutch: 3 to 18 eggs."
    )
    assert history_sources(returning.finding.history) == [
        "Usual time from ovulation to laying: Zuffi 1998",
        "Usual clutch: Fritz 2001: 4 to 10 as a rule, from memory",
    ]


@pytest.mark.parametrize(
    ("interval", "expected"),
    [
        ((-2, 1), f"No clear change in shelled eggs ({MINUS}1 to +2) since 8 May"),
        ((-1, 5), f"No clear change in shelled eggs ({MINUS}5 to +1) since 8 May"),
        ((0, 3), f"No clear change in shelled eggs ({MINUS}3 to 0) since 8 May"),
        ((-3, -1), "1 to 3 more shelled eggs than on 8 May"),
        ((2, 2), "2 fewer shelled eggs than on 8 May"),
        ((0, 0), "As many shelled eggs as on 8 May"),
    ],
)
def test_a_change_claims_no_more_than_its_interval(
    returning: ExampleExam, interval: tuple[int, int], expected: str
) -> None:
    sentences = with_change(returning.finding.history, fewer=Difference(interval[0], interval))
    assert sentences[0].startswith(expected)


def test_new_follicles_and_another_stage_are_mentioned(returning: ExampleExam) -> None:
    history = returning.finding.history
    grown = with_change(history, fewer_follicles=Difference(-3, (-4, -2)))
    assert "2 to 4 more follicles than on 8 May 2026." in grown
    before = replace(history.visits[-2], stage="thin-shelled")
    ripened = replace(history, visits=(*history.visits[:-2], before, history.visits[-1]))
    assert "Stage then: thin-shelled; now: calcified." in history_sentences(ripened)


def test_a_first_exam_is_compared_with_the_species_only(returning: ExampleExam) -> None:
    now = returning.finding.history.visits[-1]
    known = ReferenceRange((1, 1), None, "Hofmeyr, Henen and Loehr")
    first = History(visits=(now,), passed=(PassedEggs(0),), together=Difference(4, (4, 6)), usual_clutch=known)
    assert history_sentences(first) == ["Usual clutch: 1 egg."]
    assert history_sentences(replace(first, usual_clutch=None)) == []
    means = ReferenceRange(None, (7.2, 10.0), "two sources")
    assert history_sentences(replace(first, usual_clutch=means)) == ["Usual clutch: 7.2 to 10 eggs on average."]


def test_an_exam_that_could_not_be_used_has_no_sentences(returning: ExampleExam) -> None:
    history = returning.finding.history
    unscanned = replace(history, visits=(*history.visits[:-1], replace(history.visits[-1], is_scanned=False)))
    assert history_sentences(unscanned) == []
    assert history_rows(unscanned)[0].shelled == "not scanned"


def test_rows_come_latest_first(returning: ExampleExam) -> None:
    rows = history_rows(returning.finding.history)
    assert [row.date for row in rows] == ["14 May 2026", "8 May 2026", "1 May 2026", "20 April 2026", "2 April 2026"]
    assert [row.is_current_exam for row in rows] == [True, False, False, False, False]
    assert rows[0].shelled == f"4 (4{EN_DASH}6)"
    assert rows[0].passed == "3"
    assert rows[2].shelled == "not scanned"
    assert rows[4].shelled == f"none seen (0{EN_DASH}1)"


def test_eggs_that_were_not_counted() -> None:
    assert passed_text(PassedEggs(0)) == EN_DASH
    assert passed_text(PassedEggs(3)) == "3"
    assert passed_text(PassedEggs(0, is_whole=False)) == "some"
    assert passed_text(PassedEggs(3, is_whole=False)) == "more than 3"


def test_uncounted_eggs_that_left_her_are_mentioned(returning: ExampleExam) -> None:
    sentences = with_change(returning.finding.history, passed=PassedEggs(0, is_whole=False))
    assert sentences[0].endswith("; an unknown number left her since.")
    change = returning.finding.history.change
    assert isinstance(change, Change)
    assert change.since == dt.date(2026, 5, 8)
