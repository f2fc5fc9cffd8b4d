"""The worklist: the exams that need review, the most urgent first."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal
from urllib.parse import quote

from pipeline.formatting import date_text
from pipeline.people.answers import Redo, ReopenExam, SignExam, Undo
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.signatures import stored_signature
from pipeline.report.priority import priority_group
from pipeline.report.sign_off import SignOff, signed_range_text
from pipeline.report.summary import ExamSummary
from pipeline.report.text import count_text, interval_text

__all__ = ["Filters", "Worklist", "WorklistLine"]

Show = Literal["open", "signed", "all"]
PAGE_SIZE = 60  # lines
PRIORITIES = ("vet today", "check", "rest")  # the most urgent first


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
    """One exam of the list. priority : one of `PRIORITIES`;  reason : of the most urgent flag, "" without flags

    error_probability : that the count is off by more than one or the stage is wrong, 0 to 1
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
    error_probability: float
    reason: str
    severities: frozenset[str]
    answers: int = 0
    signed_by: str | None = None
    program: str = ""


class Worklist:
    """The lines of all exams, updated from the event log. May be used from many threads."""

    def __init__(self, event_log: EventLog) -> None:
        self._event_log = event_log
        self._lock = threading.Lock()
        self._last_event = 0
        self._answers: dict[ExamKey, set[int]] = {}
        self._signed: dict[ExamKey, str | None] = {}
        self._sign_offs: dict[ExamKey, SignOff] = {}
        self._lines: dict[str, tuple[ExamSummary, WorklistLine]] = {}

    def lines(self, summaries: Sequence[ExamSummary], filters: Filters) -> tuple[list[WorklistLine], int]:
        """One page of the lines that pass the filters, and how many pass in all."""
        with self._lock:
            self._read_new_events()
            every = [self._line(summary) for summary in summaries]
        passing = sorted((line for line in every if _passes(line, filters)), key=_sort_key)
        start = (max(filters.page, 1) - 1) * PAGE_SIZE
        return passing[start : start + PAGE_SIZE], len(passing)

    def next_open_exam(self, summaries: Sequence[ExamSummary], folder: str) -> str | None:
        """The link of the exam to review after this one, None if all others are signed."""
        lines, _ = self.lines(summaries, Filters())
        return next((line.link for line in lines if line.folder != folder), None)

    def _read_new_events(self) -> None:
        for logged in self._event_log.events_after(self._last_event):
            self._last_event = logged.event.entry
            answer, in_effect = logged.event.answer, self._answers.setdefault(logged.exam, set())
            if isinstance(answer, SignExam):
                self._signed[logged.exam] = answer.name
                self._sign_offs[logged.exam] = SignOff.of(stored_signature(logged.event, answer))
            elif isinstance(answer, ReopenExam):
                self._signed[logged.exam] = None
            elif isinstance(answer, Undo):
                in_effect.discard(answer.of or 0)
            else:
                in_effect.add((answer.of or 0) if isinstance(answer, Redo) else logged.event.sequence)

    def _line(self, summary: ExamSummary) -> WorklistLine:
        key = ExamKey(summary.exam.animal, summary.exam.date.isoformat())
        answers, signed = len(self._answers.get(key, ())), self._signed.get(key)
        known = self._lines.get(summary.folder)
        if known is not None and known[0] is summary and (known[1].answers, known[1].signed_by) == (answers, signed):
            return known[1]
        line = _line(summary, answers, signed)
        if signed is not None:
            line = _with_signed_count(line, self._sign_offs[key])
        self._lines[summary.folder] = summary, line
        return line


def _sort_key(line: WorklistLine) -> tuple[bool, int, float, str]:
    return line.signed_by is not None, PRIORITIES.index(line.priority), -line.error_probability, line.folder


def _line(summary: ExamSummary, answers: int, signed: str | None) -> WorklistLine:
    exam, finding = summary.exam, summary.finding
    flags = finding.flags
    return WorklistLine(
        folder=summary.folder,
        link=f"/exams/{quote(summary.folder)}",
        animal=exam.animal,
        species=exam.species or "",
        date=exam.date,
        day=date_text(exam.date),
        count=count_text(finding.shelled, "shelled egg") if summary.is_scanned else "not scanned",
        count_range=interval_text(finding.shelled) if summary.is_scanned else "no recording could be used",
        priority=priority_group(summary),
        error_probability=finding.error_probability,
        reason=flags[0].reason if flags else "",
        severities=frozenset(flag.severity for flag in flags),
        answers=answers,
        signed_by=signed,
    )


def _with_signed_count(line: WorklistLine, sign_off: SignOff) -> WorklistLine:
    """What was signed, with the program's own count beside it."""
    return replace(
        line,
        count=count_text(sign_off.shelled, "shelled egg"),
        count_range=signed_range_text(sign_off),
        program=f"{line.count}, {line.count_range}",
    )


def _passes(line: WorklistLine, filters: Filters) -> bool:
    day = dt.date.today().isoformat() if filters.day == "today" else filters.day
    return (
        (filters.show == "all" or (filters.show == "signed") == (line.signed_by is not None))
        and (not day or line.date.isoformat() == day)
        and (not filters.flag or filters.flag in line.severities)
        and filters.animal.casefold() in line.animal.casefold()
        and filters.species.casefold() in line.species.casefold()
    )
