"""An animal's exams in sentences and as table rows: what changed, since when, and how that compares with her species.

The sentences state facts. They never predict when she will lay.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.estimate.results import Change, Count, Difference, History, PassedEggs, Visit
from pipeline.exams.species import ReferenceRange
from pipeline.formatting import EN_DASH, date_text, format_signed, number_text
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, ngettext

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
    when = ngettext(
        "{date}, {number} day earlier", "{date}, {number} days earlier", change.days, date=date_text(change.since)
    )
    difference, passed = _shelled_difference_text(change.fewer, when), _passed_since_text(change.passed)
    return gettext("{difference}; {passed}.", difference=difference, passed=passed)


def history_sources(history: History) -> list[str]:
    """The sources of the published ranges in the sentences, each with what it is a source of."""
    shown = history_sentences(history)
    used = (
        (gettext("Usual time from ovulation to laying"), history.retention, _retention_text(history)),
        (gettext("Usual clutch"), history.usual_clutch, _usual_clutch_text(history)),
    )
    return [
        f"{label}: {reference.sources}"
        for label, reference, sentence in used
        if reference is not None and sentence and any(sentence in one for one in shown)
    ]


def _sentences(history: History) -> Iterator[str]:
    now = history.visits[-1]
    if history.change is not None:
        yield change_text(history)
        yield from _other_changes(history, history.change, now)
    elif len(history.visits) > 1:
        yield gettext("There is no earlier exam to compare with.")
    if history.shells_since is not None and history.shell_days:
        first_seen = ngettext(
            "Shells were first seen {number} day ago, on {date}.",
            "Shells were first seen {number} days ago, on {date}.",
            history.shell_days,
            date=date_text(history.shells_since),
        )
        yield f"{first_seen} {_retention_text(history)}".rstrip()
    yield from _clutch_sentences(history, now.shelled)


def _other_changes(history: History, change: Change, now: Visit) -> Iterator[str]:
    """The stage and the follicles, where they have clearly changed."""
    then = next(visit for visit in reversed(history.visits[:-1]) if visit.date == change.since)
    if then.stage != now.stage:
        yield gettext("Stage then: {then}; now: {now}.", then=stored_text(then.stage), now=stored_text(now.stage))
    low, high = change.fewer_follicles.interval90
    if high < 0 or low > 0:
        yield f"{_follicle_difference_text(change.fewer_follicles, date_text(change.since))}."


# A number then less the number now is given, so the change shown has the opposite sign.


def _shelled_difference_text(fewer: Difference, when: str) -> str:
    """For example "2 to 5 fewer shelled eggs than on 3 April 2026", "No clear change ... since 3 April 2026"."""
    low, high = fewer.interval90
    if low > 0:
        return gettext("{number} fewer shelled eggs than on {when}", number=_range_text(low, high), when=when)
    if high < 0:
        return gettext("{number} more shelled eggs than on {when}", number=_range_text(-high, -low), when=when)
    if low == high == 0:
        return gettext("As many shelled eggs as on {when}", when=when)
    return gettext(
        "No clear change in shelled eggs ({low} to {high}) since {when}",
        low=format_signed(-high),
        high=format_signed(-low),
        when=when,
    )


def _follicle_difference_text(fewer: Difference, when: str) -> str:
    """The same for follicles whose number has clearly changed."""
    low, high = fewer.interval90
    if low > 0:
        return gettext("{number} fewer follicles than on {when}", number=_range_text(low, high), when=when)
    return gettext("{number} more follicles than on {when}", number=_range_text(-high, -low), when=when)


def _range_text(low: float, high: float) -> str:
    first, last = number_text(low, "g"), number_text(high, "g")
    return first if low == high else gettext("{low} to {high}", low=first, high=last)


def _passed_since_text(passed: PassedEggs) -> str:
    if not passed.number:
        if passed.is_whole:
            return gettext("no egg is known to have left her since")
        return gettext("an unknown number left her since")
    if passed.is_whole:
        return ngettext(
            "{number} is known to have left her since", "{number} are known to have left her since", passed.number
        )
    return ngettext(
        "{number} is known to have left her since, and more that were not counted",
        "{number} are known to have left her since, and more that were not counted",
        passed.number,
    )


def _clutch_sentences(history: History, shelled: Count) -> Iterator[str]:
    """Eggs that left her and eggs still seen, compared with the usual clutch of her species."""
    usual = _usual_clutch_text(history)
    together, passed = history.together, history.passed_of_clutch
    if together is not None and passed.number:
        low, high = together.interval90
        left = (
            ngettext("{number} left her before this exam", "{number} left her before this exam", passed.number)
            if passed.is_whole
            else ngettext(
                "{number} left her before this exam, and more that were not counted",
                "{number} left her before this exam, and more that were not counted",
                passed.number,
            )
        )
        seen = (
            ngettext("about {number} seen now", "about {number} seen now", shelled.estimate)
            if shelled.estimate
            else gettext("none seen now")
        )
        total = gettext(
            "{left}; {seen}: {total} in total ({range}).",
            left=left,
            seen=seen,
            total=together.estimate,
            range=f"{low}{EN_DASH}{high}",
        )
        yield f"{total} {usual}".rstrip()
    elif usual and shelled.estimate:
        yield usual


def _retention_text(history: History) -> str:
    """For example "Usual time from ovulation to laying: 30 to 60 days." Empty if no number is known."""
    low, high, is_mean = _bounds(history.retention)
    if low is None or high is None:
        return ""
    number, largest = _range_text(low, high), math.ceil(high)
    if is_mean:
        return ngettext(
            "Usual time from ovulation to laying: {number} day on average.",
            "Usual time from ovulation to laying: {number} days on average.",
            largest,
            number=number,
        )
    return ngettext(
        "Usual time from ovulation to laying: {number} day.",
        "Usual time from ovulation to laying: {number} days.",
        largest,
        number=number,
    )


def _usual_clutch_text(history: History) -> str:
    """For example "Usual clutch: 3 to 18 eggs." Empty if no number is known."""
    low, high, is_mean = _bounds(history.usual_clutch)
    if low is None or high is None:
        return ""
    number, largest = _range_text(low, high), math.ceil(high)
    if is_mean:
        return ngettext(
            "Usual clutch: {number} egg on average.", "Usual clutch: {number} eggs on average.", largest, number=number
        )
    return ngettext("Usual clutch: {number} egg.", "Usual clutch: {number} eggs.", largest, number=number)


def _bounds(reference: ReferenceRange | None) -> tuple[float | None, float | None, bool]:
    """The known range, and whether it is one of means."""
    if reference is None:
        return None, None, False
    low, high = reference.bounds or reference.means or (None, None)
    return low, high, not reference.bounds


def history_rows(history: History) -> list[HistoryRow]:
    """A row for each exam, the latest first."""
    rows = [
        HistoryRow(
            date=date_text(visit.date),
            shelled=_count_cell(visit.shelled) if visit.is_scanned else gettext("not scanned"),
            follicles=_count_cell(visit.follicles) if visit.is_scanned else "",
            stage=stored_text(visit.stage) if visit.is_scanned else "",
            passed=passed_text(passed),
            is_current_exam=visit is history.visits[-1],
        )
        for visit, passed in zip(history.visits, history.passed, strict=True)
    ]
    return rows[::-1]


def _count_cell(count: Count) -> str:
    low, high = count.interval90
    number = f"{count.estimate}" if count.estimate else gettext("none seen")
    return number if low == high else f"{number} ({low}{EN_DASH}{high})"


def passed_text(passed: PassedEggs) -> str:
    """Eggs that left her: "3"; "more than 3" if others were not counted; "some" if none was counted; else a dash."""
    if passed.is_whole:
        return f"{passed.number}" if passed.number else EN_DASH
    return gettext("more than {number}", number=passed.number) if passed.number else gettext("some")
