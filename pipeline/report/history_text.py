"""An animal's exams in sentences and as table rows: what changed, since when, and how that compares with her species.

The sentences state facts. They never predict when she will lay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.estimate.results import Change, Count, Difference, History, PassedEggs, Visit
from pipeline.exams.species import ReferenceRange
from pipeline.formatting import EN_DASH, date_text, format_signed, number_text, plural

__all__ = ["HistoryRow", "change_text", "history_rows", "history_sentences", "history_sources", "passed_text"]


@dataclass(frozen=True)
class HistoryRow:
    """One exam as a row of the table. passed : eggs known to have left her since the exam before it"""

    date: str
    shelled: str
    follicles: str
    stage: str
    passed: str
    is_current_exam: bool


def history_sentences(history: History) -> list[str]:
    """What all her exams show together. Empty if there is nothing to say, or if this exam could not be used."""
    return list(_sentences(history)) if history.visits and history.visits[-1].is_scanned else []


def change_text(history: History) -> str:
    """The change in shelled eggs since the last exam, as one sentence. Empty if there is no exam to compare with."""
    change = history.change
    if change is None:
        return ""
    earlier = f"{date_text(change.since)}, {plural(change.days, 'day')} earlier"
    return f"{_difference_text(change.fewer, 'shelled egg')} {earlier}; {_passed_since_text(change.passed)}."


def history_sources(history: History) -> list[str]:
    """The sources of the published ranges in the sentences, each with what it is a source of."""
    shown = " ".join(history_sentences(history))
    references = (("Usual time from ovulation to laying", history.retention), ("Usual clutch", history.usual_clutch))
    return [f"{label}: {one.sources}" for label, one in references if one is not None and label in shown]


def _sentences(history: History) -> Iterator[str]:
    now = history.visits[-1]
    if history.change is not None:
        yield change_text(history)
        yield from _other_changes(history, history.change, now)
    elif len(history.visits) > 1:
        yield "There is no earlier exam to compare with."
    if history.shells_since is not None and history.shell_days:
        first_seen = f"{plural(history.shell_days, 'day')} ago, on {date_text(history.shells_since)}"
        usual_time = _reference_text("Usual time from ovulation to laying", history.retention, "day")
        yield f"Shells were first seen {first_seen}. {usual_time}".rstrip()
    yield from _clutch_sentences(history, now.shelled)


def _other_changes(history: History, change: Change, now: Visit) -> Iterator[str]:
    """The stage and the follicles, where they have clearly changed."""
    then = next(visit for visit in reversed(history.visits[:-1]) if visit.date == change.since)
    if then.stage != now.stage:
        yield f"Stage then: {then.stage}; now: {now.stage}."
    low, high = change.fewer_follicles.interval90
    if high < 0 or low > 0:
        yield f"{_difference_text(change.fewer_follicles, 'follicle')} {date_text(change.since)}."


def _difference_text(fewer: Difference, noun: str) -> str:
    """Begins a sentence that ends with a date: "2 to 5 fewer shelled eggs than on", "No clear change ... since".

    fewer : number then less number now, so the change shown has the opposite sign
    """
    low, high = fewer.interval90
    if low > 0:
        return f"{_range_text(low, high)} fewer {noun}s than on"
    if high < 0:
        return f"{_range_text(-high, -low)} more {noun}s than on"
    if low == high == 0:
        return f"As many {noun}s as on"
    return f"No clear change in {noun}s ({format_signed(-high)} to {format_signed(-low)}) since"


def _range_text(low: float, high: float) -> str:
    first, last = number_text(low, "g"), number_text(high, "g")
    return first if low == high else f"{first} to {last}"


def _passed_since_text(passed: PassedEggs) -> str:
    if not passed.number:
        return "no egg is known to have left her since" if passed.is_whole else "an unknown number left her since"
    verb = "is" if passed.number == 1 else "are"
    more = "" if passed.is_whole else ", and more that were not counted"
    return f"{passed.number} {verb} known to have left her since{more}"


def _clutch_sentences(history: History, shelled: Count) -> Iterator[str]:
    """Eggs that left her and eggs still seen, compared with the usual clutch of her species."""
    usual = _reference_text("Usual clutch", history.usual_clutch, "egg")
    together, passed = history.together, history.passed_of_clutch
    if together is not None and passed.number:
        low, high = together.interval90
        more = "" if passed.is_whole else ", and more that were not counted"
        seen = f"about {shelled.estimate} seen now" if shelled.estimate else "none seen now"
        yield (
            f"{passed.number} left her before this exam{more}; {seen}: {together.estimate} in total "
            f"({low}{EN_DASH}{high}). {usual}"
        ).rstrip()
    elif usual and shelled.estimate:
        yield usual


def _reference_text(label: str, reference: ReferenceRange | None, noun: str) -> str:
    """For example "Usual clutch: 3 to 18 eggs." Empty if no number is known."""
    known_range = None if reference is None else reference.bounds or reference.means
    if reference is None or known_range is None:
        return ""
    number = _range_text(*known_range)
    unit = noun if number == "1" else f"{noun}s"
    average = "" if reference.bounds else " on average"
    return f"{label}: {number} {unit}{average}."


def history_rows(history: History) -> list[HistoryRow]:
    """A row for each exam, the latest first."""
    rows = [
        HistoryRow(
            date=date_text(visit.date),
            shelled=_count_cell(visit.shelled) if visit.is_scanned else "not scanned",
            follicles=_count_cell(visit.follicles) if visit.is_scanned else "",
            stage=visit.stage if visit.is_scanned else "",
            passed=passed_text(passed),
            is_current_exam=visit is history.visits[-1],
        )
        for visit, passed in zip(history.visits, history.passed, strict=True)
    ]
    return rows[::-1]


def _count_cell(count: Count) -> str:
    low, high = count.interval90
    number = f"{count.estimate or 'none seen'}"
    return number if low == high else f"{number} ({low}{EN_DASH}{high})"


def passed_text(passed: PassedEggs) -> str:
    """Eggs that left her: "3"; "more than 3" if others were not counted; "some" if none was counted; else a dash."""
    if passed.is_whole:
        return f"{passed.number}" if passed.number else EN_DASH
    return f"more than {passed.number}" if passed.number else "some"
