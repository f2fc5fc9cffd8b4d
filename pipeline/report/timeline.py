"""All exams of an animal over time: the positions of everything in the drawing, and the drawing as SVG.

Dots are shelled eggs and rings are follicles, each with its 90 % range as a line. Triangles mark eggs that are known
to have left her. The table next to the drawing says the same as text.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape

from pipeline.estimate.results import Count, History, PassedEggs
from pipeline.formatting import date_text, short_date_text
from pipeline.language.translation import gettext
from pipeline.report.history_text import passed_text

__all__ = [
    "BOTTOM",
    "DATE_WIDTH",
    "HEIGHT",
    "LEFT",
    "MAX_EXAMS",
    "RIGHT",
    "TOP",
    "WIDTH",
    "Timeline",
    "timeline",
    "timeline_svg",
]

# In units of the drawing, about the pixels that it has on a screen. y is down.
WIDTH, HEIGHT = 270.0, 136.0
LEFT, RIGHT, TOP, BOTTOM = 26.0, 258.0, 10.0, 102.0  # edges of the plot; BOTTOM is the line of 0 eggs
MIN_EXAM_GAP = 20.0  # between two exams
DATE_WIDTH = 37.0  # space for a date
MARK_OFFSET = 4.5  # on one day, shelled eggs are drawn left of the date and follicles right of it

MAX_EXAMS = 10


@dataclass(frozen=True)
class CountMark:
    """A count and its range. x, y : of the estimate;  low, high : y of the ends of the 90 % range"""

    x: float
    y: float
    low: float
    high: float
    number: int
    is_shelled: bool


@dataclass(frozen=True)
class Timeline:
    """Positions in units of the drawing.

    marks : of exams that could be used;  unscanned_x : x of exams that could not be used
    dates : x and text, where there is space;  passed : x and text of eggs known to have left her
    ticks : y and number of eggs;  title : what the drawing shows, for screen readers
    """

    marks: tuple[CountMark, ...]
    unscanned_x: tuple[float, ...]
    dates: tuple[tuple[float, str], ...]
    passed: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, int], ...]
    title: str


def timeline(history: History) -> Timeline | None:
    """The positions of the latest ``MAX_EXAMS`` exams. None if there are fewer than two exams."""
    visits, passed = history.visits[-MAX_EXAMS:], history.passed[-MAX_EXAMS:]
    if len(visits) < 2:
        return None
    places = _places([visit.date for visit in visits])
    counts = [count for visit in visits if visit.is_scanned for count in (visit.shelled, visit.follicles)]
    highest = max([1, *(max(count.estimate, count.interval90[1]) for count in counts)])

    def y(eggs: int) -> float:
        return BOTTOM - (BOTTOM - TOP) * eggs / highest

    def mark(x: float, count: Count, is_shelled: bool) -> CountMark:
        low, high = count.interval90
        return CountMark(
            x - MARK_OFFSET if is_shelled else x + MARK_OFFSET,
            y(count.estimate),
            y(low),
            y(high),
            count.estimate,
            is_shelled,
        )

    marks = [
        mark(x, count, is_shelled)
        for x, visit in zip(places, visits, strict=True)
        if visit.is_scanned
        for count, is_shelled in ((visit.shelled, True), (visit.follicles, False))
        if is_shelled or count.estimate
    ]
    first, last = date_text(visits[0].date), date_text(visits[-1].date)
    between = [places[0] - MIN_EXAM_GAP / 2, *((one + other) / 2 for one, other in pairwise(places))]
    return Timeline(
        marks=tuple(marks),
        unscanned_x=tuple(x for x, visit in zip(places, visits, strict=True) if not visit.is_scanned),
        dates=tuple(_dates(places, [visit.date for visit in visits])),
        passed=tuple((x, passed_text(one)) for x, one in zip(between, passed, strict=True) if one != PassedEggs(0)),
        ticks=tuple((y(eggs), eggs) for eggs in ((0, highest) if highest < 4 else (0, highest // 2, highest))),
        title=gettext(
            "Shelled eggs and follicles from {first} to {last}; the table says the same", first=first, last=last
        ),
    )


def _places(dates: list[dt.date]) -> list[float]:
    """The x of each exam: in proportion to the days between them, but never too close to read."""
    gaps = [(other - one).days for one, other in pairwise(dates)]
    begin, end = LEFT + MIN_EXAM_GAP, RIGHT - MIN_EXAM_GAP / 2
    spare = end - begin - MIN_EXAM_GAP * len(gaps)
    places = [begin]
    for days in gaps:
        places.append(places[-1] + MIN_EXAM_GAP + spare * days / max(sum(gaps), 1))
    return places


def _dates(places: list[float], dates: list[dt.date]) -> Iterator[tuple[float, str]]:
    """The last date, and from there leftwards those that do not overlap a date already placed."""
    next_x = float("inf")
    for x, date in zip(reversed(places), reversed(dates), strict=True):
        if next_x - x >= DATE_WIDTH:
            yield x, short_date_text(date)
            next_x = x


def timeline_svg(drawn: Timeline) -> str:
    """The drawing as one SVG element."""
    return "\n".join(
        [
            f'<svg class="timeline" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-labelledby="timeline" '
            'xmlns="http://www.w3.org/2000/svg">',
            f'<title id="timeline">{escape(drawn.title)}</title>',
            *_elements(drawn),
            "</svg>",
        ]
    )


def _elements(drawn: Timeline) -> Iterator[str]:
    for y, eggs in drawn.ticks:
        yield f'<path class="rule" d="M{LEFT:g} {y:.1f}H{RIGHT:g}"/>'
        yield f'<text class="axis" x="{LEFT - 6:g}" y="{y + 3.5:.1f}" text-anchor="end">{eggs}</text>'
    for x, text in drawn.dates:
        yield f'<text class="axis" x="{x:.1f}" y="{BOTTOM + 26:g}" text-anchor="middle">{escape(text)}</text>'
    for x, text in drawn.passed:
        yield f'<path class="passed-marker" d="M{x - 4:.1f} {BOTTOM + 3:g}h8l-4 7z"/>'
        yield f'<text class="passed" x="{x + 6:.1f}" y="{BOTTOM + 11:g}">{escape(text)}</text>'
    for x in drawn.unscanned_x:
        yield f'<text class="axis" x="{x:.1f}" y="{BOTTOM - 4:g}" text-anchor="middle">?</text>'
    for mark in drawn.marks:
        kind = "shelled" if mark.is_shelled else "follicle"
        yield f'<path class="interval {kind}" d="M{mark.x:.1f} {mark.high:.1f}V{mark.low:.1f}"/>'
        yield f'<circle class="{kind}" cx="{mark.x:.1f}" cy="{mark.y:.1f}" r="3.6"/>'
        if not mark.number:  # on the line of 0 eggs, where a number would be in the way
            continue
        side, anchor = (-6.5, "end") if mark.is_shelled else (6.5, "start")
        yield (
            f'<text class="number" x="{mark.x + side:.1f}" y="{mark.y + 3.6:.1f}" text-anchor="{anchor}">'
            f"{mark.number}</text>"
        )
