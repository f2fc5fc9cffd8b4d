"""The timeline: everything in its place, and nothing overlaps."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from pipeline.estimate.results import History, PassedEggs
from pipeline.report.timeline import BOTTOM, DATE_WIDTH, LEFT, MAX_EXAMS, RIGHT, TOP, timeline, timeline_svg

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


def test_marks_lie_in_proportion(returning: ExampleExam) -> None:
    drawn = timeline(returning.finding.history)
    assert drawn is not None
    shelled = [mark for mark in drawn.marks if mark.is_shelled]
    assert [mark.number for mark in shelled] == [0, 8, 8, 4]
    assert [mark.number for mark in drawn.marks if not mark.is_shelled] == [7, 1]
    assert shelled[0].y == BOTTOM
    per_egg = (BOTTOM - TOP) / 10  # the upper end of the highest range
    assert shelled[1].y == pytest.approx(BOTTOM - 8 * per_egg)
    assert (shelled[1].low, shelled[1].high) == pytest.approx((BOTTOM - 7 * per_egg, TOP))
    assert len(drawn.unscanned_x) == 1
    assert [text for _, text in drawn.passed] == ["3"]
    assert shelled[2].x < drawn.passed[0][0] < shelled[3].x
    places = [mark.x for mark in shelled]
    assert places == sorted(places)
    # 18 days, 18 days (with an unusable exam in between), 6 days
    assert places[1] - places[0] > 1.5 * (places[3] - places[2])
    assert places[0] > LEFT
    assert places[-1] < RIGHT


def many(returning: ExampleExam, number: int) -> History:
    visit = returning.finding.history.visits[-1]
    visits = tuple(replace(visit, date=dt.date(2026, 1, 1) + dt.timedelta(days=day)) for day in range(number))
    return History(visits=visits, passed=(PassedEggs(0),) * number)


def test_many_exams_do_not_overlap(returning: ExampleExam) -> None:
    drawn = timeline(many(returning, 40))
    assert drawn is not None
    assert len([mark for mark in drawn.marks if mark.is_shelled]) == MAX_EXAMS
    places = sorted(x for x, _ in drawn.dates)
    assert all(other - one >= DATE_WIDTH for one, other in pairwise(places))
    assert drawn.dates[0][1] == "9 Feb"
    assert max(mark.x for mark in drawn.marks) < RIGHT


def test_one_exam_is_no_timeline(returning: ExampleExam) -> None:
    assert timeline(many(returning, 1)) is None
    assert timeline(History()) is None


def test_the_drawing_is_well_formed_and_has_a_title(returning: ExampleExam) -> None:
    drawn = timeline(returning.finding.history)
    assert drawn is not None
    root = ElementTree.fromstring(timeline_svg(drawn))
    title = root.find("{*}title")
    assert title is not None
    assert title.text == "Shelled eggs and follicles from 2 April 2026 to 14 May 2026; the table says the same"
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == title.get("id")
