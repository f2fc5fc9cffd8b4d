"""What the sheet says of her exams together."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pipeline.estimate.results import Change, Difference, History, PassedEggs
from pipeline.exams.species import ReferenceRange
from pipeline.formatting import EN_DASH
from pipeline.report.history_text import history_rows, history_sentences, passed_text

if TYPE_CHECKING:
    from tests.pipeline.report.conftest import ExampleExam


def with_change(history: History, **values: object) -> list[str]:
    assert history.change is not None
    return history_sentences(replace(history, change=replace(history.change, **values)))  # type: ignore[arg-type]


def test_change_time_and_sum_in_sentences(returning: ExampleExam) -> None:
    """Emys orbicularis: 3 to 18 eggs (Fritz 2001, from memory), 21 to 28 days (Zuffi 1998)."""
    change, shells, clutch = history_sentences(returning.finding.history)
    assert change == (
        "Between 2 and 5 fewer shelled eggs than on 8 May 2026, 6 days before; 3 are known to have left her since."
    )
    assert shells == (
        "Shells were first seen 24 days ago, on 20 April 2026; of the species 21 to 28 days from ovulation to laying "
        "are known (Zuffi 1998)."
    )
    assert clutch == (
        f"3 passed before this exam, about 4 still seen: 7 together (7{EN_DASH}9). Of the species 3 to 18 eggs a "
        "clutch are known (Fritz 2001: 4 to 10 as a rule, from memory)."
    )


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ((-2, 1), "No sure change: from 2 more to 1 fewer shelled eggs than on"),
        ((0, 3), "No sure change: as many or up to 3 fewer shelled eggs than on"),
        ((-3, -1), "Between 1 and 3 more shelled eggs than on"),
        ((2, 2), "2 fewer shelled eggs than on"),
        ((0, 0), "As many shelled eggs as on"),
    ],
)
def test_a_difference_says_no_more_than_its_interval(
    returning: ExampleExam, interval: tuple[int, int], words: str
) -> None:
    sentences = with_change(returning.finding.history, fewer=Difference(interval[0], interval))
    assert sentences[0].startswith(words)


def test_new_follicles_and_another_stage_are_told(returning: ExampleExam) -> None:
    history = returning.finding.history
    grown = with_change(history, fewer_follicles=Difference(-3, (-4, -2)))
    assert "Between 2 and 4 more follicles than then." in grown
    before = replace(history.visits[-2], stage="thin-shelled")
    ripened = replace(history, visits=(*history.visits[:-2], before, history.visits[-1]))
    assert "Stage then: thin-shelled; now: calcified." in history_sentences(ripened)


def test_a_first_exam_stands_beside_its_species_alone(returning: ExampleExam) -> None:
    now = returning.finding.history.visits[-1]
    known = ReferenceRange((1, 1), None, "Hofmeyr, Henen and Loehr")
    first = History(visits=(now,), passed=(PassedEggs(0),), together=Difference(4, (4, 6)), usual_clutch=known)
    assert history_sentences(first) == ["Of the species 1 egg a clutch is known (Hofmeyr, Henen and Loehr)."]
    assert history_sentences(replace(first, usual_clutch=None)) == []
    means = ReferenceRange(None, (7.2, 10.0), "two sources")
    assert "7.2 to 10 eggs a clutch are known on average" in history_sentences(replace(first, usual_clutch=means))[0]


def test_without_a_picture_nothing_is_said(returning: ExampleExam) -> None:
    history = returning.finding.history
    blind = replace(history, visits=(*history.visits[:-1], replace(history.visits[-1], is_scanned=False)))
    assert history_sentences(blind) == []
    assert history_rows(blind)[0]["shelled"] == "not scanned"


def test_rows_come_latest_first(returning: ExampleExam) -> None:
    rows = history_rows(returning.finding.history)
    assert [row["date"] for row in rows] == ["14 May 2026", "8 May 2026", "1 May 2026", "20 April 2026", "2 April 2026"]
    assert [row["is_current_exam"] for row in rows] == [True, False, False, False, False]
    assert rows[0]["shelled"] == f"4 (4{EN_DASH}6)"
    assert rows[0]["passed"] == "3"
    assert rows[2]["shelled"] == "not scanned"
    assert rows[4]["shelled"] == f"none seen (0{EN_DASH}1)"


def test_eggs_that_nobody_counted() -> None:
    assert passed_text(PassedEggs(0)) == EN_DASH
    assert passed_text(PassedEggs(3)) == "3"
    assert passed_text(PassedEggs(0, is_whole=False)) == "some"
    assert passed_text(PassedEggs(3, is_whole=False)) == "3 and some"


def test_what_left_uncounted_is_told(returning: ExampleExam) -> None:
    sentences = with_change(returning.finding.history, passed=PassedEggs(0, is_whole=False))
    assert sentences[0].endswith("; some left her since, and nobody counted.")
    change = returning.finding.history.change
    assert isinstance(change, Change)
    assert change.since == dt.date(2026, 5, 8)
