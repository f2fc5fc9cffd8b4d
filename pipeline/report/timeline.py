"""All exams of an animal over time, as SVG written by hand: dots for shelled eggs, rings for follicles, each with its
90 % range as a line, and triangles where eggs are known to have left her. The table beside it says the same in words.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from pipeline.estimate.finding import Count, History, Passed
from pipeline.formatting import MONTHS, date_words
from pipeline.report.history_text import passed_words

__all__ = [
    "FOOT",
    "HEIGHT",
    "LABEL",
    "LEFT",
    "MOST_VISITS",
    "RIGHT",
    "TOP",
    "WIDTH",
    "Timeline",
    "timeline",
    "timeline_svg",
]

WIDTH, HEIGHT = 270.0, 136.0  # of the drawing, in its own units; about the pixels it has on a screen
LEFT, RIGHT, TOP, FOOT = 26.0, 258.0, 10.0, 102.0  # of the field
NARROWEST = 20.0  # between two exams
MOST_VISITS = 10
LABEL = 37.0  # room that a date takes
ASIDE = 4.5  # follicles stand right of the shelled eggs of the same day, which stand left of it


@dataclass(frozen=True)
class Mark:
    """A count: where it stands, its range, and what it counts. x, y, low, high : units of the drawing, y down"""

    x: float
    y: float
    low: float
    high: float
    number: int
    is_shelled: bool


@dataclass(frozen=True)
class Timeline:
    """marks : of exams that could be used;  blind : x of those that could not;  dates : those that have room
    left : x and words of eggs known to have left her;  ticks : y and eggs
    """

    marks: tuple[Mark, ...]
    blind: tuple[float, ...]
    dates: tuple[tuple[float, str], ...]
    left: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, int], ...]


def timeline(history: History) -> Timeline | None:
    """Where everything stands; None where there are fewer than two exams to show. Of many the latest are shown."""
    visits, passed = history.visits[-MOST_VISITS:], history.passed[-MOST_VISITS:]
    if len(visits) < 2:
        return None
    places = _places([visit.date for visit in visits])
    counts = [count for visit in visits if visit.is_scanned for count in (visit.shelled, visit.follicles)]
    most = max([1, *(max(count.estimate, count.interval90[1]) for count in counts)])

    def y(eggs: int) -> float:
        return FOOT - (FOOT - TOP) * eggs / most

    def mark(x: float, count: Count, is_shelled: bool) -> Mark:
        low, high = count.interval90
        return Mark(
            x - ASIDE if is_shelled else x + ASIDE, y(count.estimate), y(low), y(high), count.estimate, is_shelled
        )

    marks = [
        mark(x, count, is_shelled)
        for x, visit in zip(places, visits, strict=True)
        if visit.is_scanned
        for count, is_shelled in ((visit.shelled, True), (visit.follicles, False))
        if is_shelled or count.estimate
    ]
    between = [places[0] - NARROWEST / 2, *((one + other) / 2 for one, other in pairwise(places))]
    return Timeline(
        marks=tuple(marks),
        blind=tuple(x for x, visit in zip(places, visits, strict=True) if not visit.is_scanned),
        dates=tuple(_dates(places, [visit.date for visit in visits])),
        left=tuple((x, passed_words(one)) for x, one in zip(between, passed, strict=True) if one != Passed(0)),
        ticks=tuple((y(eggs), eggs) for eggs in ((0, most) if most < 4 else (0, most // 2, most))),
    )


def _places(dates: list[dt.date]) -> list[float]:
    """In proportion to the days between, none too close to read."""
    gaps = [(other - one).days for one, other in pairwise(dates)]
    begin, end = LEFT + NARROWEST, RIGHT - NARROWEST / 2
    spare = end - begin - NARROWEST * len(gaps)
    places = [begin]
    for days in gaps:
        places.append(places[-1] + NARROWEST + spare * days / max(sum(gaps), 1))
    return places


def _dates(places: list[float], dates: list[dt.date]) -> Iterator[tuple[float, str]]:
    """The last date always; of the others those that run into none that is written."""
    before = float("inf")
    for x, date in zip(reversed(places), reversed(dates), strict=True):
        if before - x >= LABEL:
            yield x, f"{date.day} {MONTHS[date.month - 1][:3]}"
            before = x


def timeline_svg(history: History) -> str | None:
    """The drawing as one SVG element; None where there are fewer than two exams. Numbers and our own words only."""
    drawn = timeline(history)
    if drawn is None:
        return None
    first, last = date_words(history.visits[0].date), date_words(history.visits[-1].date)
    return "\n".join(
        [
            f'<svg class="timeline" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-labelledby="timeline" '
            'xmlns="http://www.w3.org/2000/svg">',
            f'<title id="timeline">Shelled eggs and follicles from {first} to {last}; the table says the same</title>',
            *_elements(drawn),
            "</svg>",
        ]
    )


def _elements(drawn: Timeline) -> Iterator[str]:
    for y, eggs in drawn.ticks:
        yield f'<path class="rule" d="M{LEFT:g} {y:.1f}H{RIGHT:g}"/>'
        yield f'<text class="axis" x="{LEFT - 6:g}" y="{y + 3.5:.1f}" text-anchor="end">{eggs}</text>'
    for x, words in drawn.dates:
        yield f'<text class="axis" x="{x:.1f}" y="{FOOT + 26:g}" text-anchor="middle">{words}</text>'
    for x, words in drawn.left:
        yield f'<path class="left" d="M{x - 4:.1f} {FOOT + 3:g}h8l-4 7z"/>'
        yield f'<text class="passed" x="{x + 6:.1f}" y="{FOOT + 11:g}">{words}</text>'
    for x in drawn.blind:
        yield f'<text class="axis" x="{x:.1f}" y="{FOOT - 4:g}" text-anchor="middle">?</text>'
    for mark in drawn.marks:
        kind = "shelled" if mark.is_shelled else "soft"
        yield f'<path class="reach {kind}" d="M{mark.x:.1f} {mark.high:.1f}V{mark.low:.1f}"/>'
        yield f'<circle class="{kind}" cx="{mark.x:.1f}" cy="{mark.y:.1f}" r="3.6"/>'
        if not mark.number:  # it stands on the line of none
            continue
        side, anchor = (-6.5, "end") if mark.is_shelled else (6.5, "start")
        yield (
            f'<text class="number" x="{mark.x + side:.1f}" y="{mark.y + 3.6:.1f}" text-anchor="{anchor}">'
            f"{mark.number}</text>"
        )
