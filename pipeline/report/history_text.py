"""Her exams in sentences and rows: what changed, how long, and beside the species. Facts, never "will lay"."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.estimate.results import Change, Count, Difference, History, PassedEggs, Visit
from pipeline.exams.species import ReferenceRange
from pipeline.formatting import EN_DASH, date_text, plural

__all__ = ["history_rows", "history_sentences", "passed_text"]


def history_sentences(history: History) -> list[str]:
    """What her exams say together; empty where there is nothing to say."""
    return list(_sentences(history)) if history.visits and history.visits[-1].is_scanned else []


def _sentences(history: History) -> Iterator[str]:
    now = history.visits[-1]
    if history.change is not None:
        yield from _change_words(history, history.change, now)
    elif len(history.visits) > 1:
        yield "There is no exam before this one that it can be compared with."
    if history.shells_since is not None and history.shell_days:
        yield (
            f"Shells were first seen {plural(history.shell_days, 'day')} ago, on {date_text(history.shells_since)}"
            f"{_retention_words(history.retention)}."
        )
    yield from _clutch_words(history, now.shelled)


def _change_words(history: History, change: Change, now: Visit) -> Iterator[str]:
    then = next(visit for visit in reversed(history.visits[:-1]) if visit.date == change.since)
    when = f"{date_text(change.since)}, {plural(change.days, 'day')} before"
    yield f"{_fewer_words(change.fewer, 'shelled egg')} on {when}; {_left_words(change.passed)}."
    if then.stage != now.stage:
        yield f"Stage then: {then.stage}; now: {now.stage}."
    low, high = change.fewer_follicles.interval90
    if high < 0 or low > 0:
        yield f"{_fewer_words(change.fewer_follicles, 'follicle')} then."


def _fewer_words(difference: Difference, noun: str) -> str:
    """Between 1 and 4 fewer shelled eggs than; no sure change, from 2 more to 1 fewer shelled eggs than."""
    low, high = difference.interval90
    if low > 0:
        return f"{_between(low, high)} fewer {noun}s than"
    if high < 0:
        return f"{_between(-high, -low)} more {noun}s than"
    if low == high == 0:
        return f"As many {noun}s as"
    if low == 0 or high == 0:
        most = f"{high} fewer" if high else f"{-low} more"
        return f"No sure change: as many or up to {most} {noun}s than"
    return f"No sure change: from {-low} more to {high} fewer {noun}s than"


def _between(low: int, high: int) -> str:
    return f"{low}" if low == high else f"Between {low} and {high}"


def _left_words(passed: PassedEggs) -> str:
    if not passed.number:
        return "none is known to have left her since" if passed.is_whole else "some left her since, and nobody counted"
    verb = "is" if passed.number == 1 else "are"
    return f"{passed.number} {verb} known to have left her since" + ("" if passed.is_whole else ", and some uncounted")


def _retention_words(retention: ReferenceRange | None) -> str:
    days = _known_words(retention, "day", "from ovulation to laying")
    return f"; of the species {days}" if days else ""


def _clutch_words(history: History, shelled: Count) -> Iterator[str]:
    """What has left her and what is seen, and beside it what is known of the species."""
    known = _known_words(history.usual_clutch, "egg", "a clutch")
    beside = f"Of the species {known}." if known else ""
    together, passed = history.together, history.passed_of_clutch
    if together is not None and passed.number:
        low, high = together.interval90
        some = "" if passed.is_whole else " and some uncounted"
        yield (
            f"{passed.number}{some} passed before this exam, {_about(shelled)} still seen: {together.estimate} "
            f"together ({low}{EN_DASH}{high}). {beside}"
        ).rstrip()
    elif beside and shelled.estimate:
        yield beside


def _about(count: Count) -> str:
    return f"about {count.estimate}" if count.estimate else "none"


def _known_words(known: ReferenceRange | None, noun: str, of: str) -> str:
    """3 to 18 eggs a clutch are known (Fritz 2001, from memory); empty where no number is."""
    known_range = None if known is None else known.bounds or known.means
    if known is None or known_range is None:
        return ""
    low, high = known_range
    number = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    words = f"{number} {noun} {of} is" if number == "1" else f"{number} {noun}s {of} are"
    return f"{words} known{'' if known.bounds else ' on average'} ({known.sources})"


def history_rows(history: History) -> list[dict[str, Any]]:
    """A row for each exam, the latest first."""
    rows = []
    for visit, passed in zip(history.visits, history.passed, strict=True):
        rows.append(
            {
                "date": date_text(visit.date),
                "shelled": _count_cell(visit.shelled) if visit.is_scanned else "not scanned",
                "follicles": _count_cell(visit.follicles) if visit.is_scanned else "",
                "stage": visit.stage if visit.is_scanned else "",
                "passed": passed_text(passed),
                "is_current_exam": visit is history.visits[-1],
            }
        )
    return rows[::-1]


def _count_cell(count: Count) -> str:
    low, high = count.interval90
    return f"{count.estimate or 'none seen'} ({low}{EN_DASH}{high})"


def passed_text(passed: PassedEggs) -> str:
    """3; 3 and some; some; a dash where none is known to have left her."""
    if passed.is_whole:
        return f"{passed.number}" if passed.number else EN_DASH
    return f"{passed.number} and some" if passed.number else "some"
