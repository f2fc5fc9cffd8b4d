"""The worklist: the exams that need review, the most urgent first."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import dataclass, replace
from typing import Literal
from urllib.parse import quote

from pipeline.formatting import date_text
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, ngettext
from pipeline.people.answers import Redo, ReopenExam, SignExam, Undo
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.signatures import stored_signature
from pipeline.report.priority import priority_group
from pipeline.report.sign_off import SignOff, signed_range_text
from pipeline.report.summary import ExamSummary
from pipeline.report.text import follicle_count_text, interval_text, shelled_count_text
from pipeline.review.cases import CaseStore
from pipeline.store.exam_lists import ExamQuery

__all__ = ["Filters", "Worklist", "WorklistLine"]

Show = Literal["open", "signed", "all"]
PAGE_SIZE = 60  # lines


@dataclass(frozen=True)
class Filters:
    """day : "", "today" or ISO 8601;  flag : a severity, "" for any;  animal, species : any part of the name

    page : from 1
    """

    show: Show = "open"
    day: str = ""
    flag: str = ""
    animal: str = ""
    species: str = ""
    page: int = 1


@dataclass(frozen=True)
class WorklistLine:
    """One exam of the list. priority : as by `priority_group`;  reason : of the most urgent flag, "" without flags

    follicles, uncertain : how many follicles, and how many objects that were not counted; "" without any
    answers : how many are in effect;  signed_by : None while open
    count, count_range : as signed, else as found;  program : what the program found, where another count was signed
    """

    folder: str
    link: str
    animal: str
    species: str
    date: dt.date
    day: str
    count: str
    count_range: str
    priority: str
    reason: str
    follicles: str = ""
    uncertain: str = ""
    answers: int = 0
    signed_by: str | None = None
    program: str = ""


class Worklist:
    """What people did with each exam, from the event log, and the lists that follow. May be used from many threads."""

    def __init__(self, event_log: EventLog, cases: CaseStore) -> None:
        self._event_log, self._cases = event_log, cases
        self._lock = threading.Lock()
        self._last_event = 0
        self._answers: dict[ExamKey, set[int]] = {}
        self._sign_offs: dict[ExamKey, SignOff] = {}

    def lines(self, filters: Filters) -> tuple[list[WorklistLine], int]:
        """One page of the lines that pass the filters, and how many pass in all."""
        return self._page(filters, (max(filters.page, 1) - 1) * PAGE_SIZE, PAGE_SIZE)

    def next_open_exam(self, folder: str) -> str | None:
        """The link of the exam to review after this one, None if all others are signed."""
        lines, _ = self._page(Filters(), 0, 2)
        return next((line.link for line in lines if line.folder != folder), None)

    def neighbours(self, key: ExamKey) -> tuple[str | None, str | None]:
        """The links of the exams before and after this one in the list of those to review; None at its ends."""
        with self._lock:
            self._read_new_events()
            before, after = self._cases.open_neighbours(key)
        return _link(before), _link(after)

    def _page(self, filters: Filters, first: int, number: int) -> tuple[list[WorklistLine], int]:
        with self._lock:
            self._read_new_events()
            summaries, count = self._cases.listed(_query(filters), first, number)
            return [self._line(summary) for summary in summaries], count

    def _read_new_events(self) -> None:
        signed = set(self._sign_offs)
        for logged in self._event_log.events_after(self._last_event):
            self._last_event = logged.event.entry
            answer, in_effect = logged.event.answer, self._answers.setdefault(logged.exam, set())
            if isinstance(answer, SignExam):
                self._sign_offs[logged.exam] = SignOff.of(stored_signature(logged.event, answer))
            elif isinstance(answer, ReopenExam):
                self._sign_offs.pop(logged.exam, None)
            elif isinstance(answer, Undo):
                in_effect.discard(answer.of or 0)
            else:
                in_effect.add((answer.of or 0) if isinstance(answer, Redo) else logged.event.sequence)
        self._cases.mark_signed(self._sign_offs.keys() - signed, signed - self._sign_offs.keys())

    def _line(self, summary: ExamSummary) -> WorklistLine:
        key = ExamKey(summary.exam.animal, summary.exam.date.isoformat())
        sign_off = self._sign_offs.get(key)
        line = _line(summary, len(self._answers.get(key, ())))
        return line if sign_off is None else _with_signed_count(line, sign_off)


def _link(folder: str | None) -> str | None:
    return None if folder is None else f"/exams/{quote(folder)}"


def _query(filters: Filters) -> ExamQuery:
    return ExamQuery(
        is_signed=None if filters.show == "all" else filters.show == "signed",
        date=dt.date.today().isoformat() if filters.day == "today" else filters.day,
        severity=filters.flag,
        animal=filters.animal,
        species=filters.species,
    )


def _line(summary: ExamSummary, answers: int) -> WorklistLine:
    exam, finding = summary.exam, summary.finding
    flags = finding.flags
    return WorklistLine(
        folder=summary.folder,
        link=f"/exams/{quote(summary.folder)}",
        animal=exam.animal,
        species=exam.species or "",
        date=exam.date,
        day=date_text(exam.date),
        count=shelled_count_text(finding.shelled) if summary.is_scanned else gettext("not scanned"),
        count_range=interval_text(finding.shelled) if summary.is_scanned else gettext("no recording could be used"),
        priority=priority_group(summary),
        reason=stored_text(flags[0].reason) if flags else "",
        follicles=follicle_count_text(finding.follicles) if finding.follicles.estimate else "",
        uncertain=_uncertain_text(len(finding.uncounted)),
        answers=answers,
    )


def _uncertain_text(number: int) -> str:
    if not number:
        return ""
    return ngettext("{number} uncertain, not counted", "{number} uncertain, not counted", number)


def _with_signed_count(line: WorklistLine, sign_off: SignOff) -> WorklistLine:
    """What was signed, with the program's own count beside it."""
    return replace(
        line,
        signed_by=sign_off.name,
        count=shelled_count_text(sign_off.shelled),
        count_range=signed_range_text(sign_off),
        follicles=follicle_count_text(sign_off.follicles) if sign_off.follicles.estimate else "",
        uncertain="",
        program=f"{line.count}, {line.count_range}",
    )
