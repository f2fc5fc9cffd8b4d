"""The answers about exams, and the snapshots that they refer to, as entries of the journal.

The answers of an exam are numbered 1, 2, 3, ... without gaps. The number is assigned inside the transaction that adds
the answer, so if two people answer at once, one comes first and neither answer is lost.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple

from pipeline.people.answers import ANSWER_ADAPTER, Answer
from pipeline.people.chain import Entry
from pipeline.people.journal import Journal, JournalWriter

__all__ = ["Event", "EventContent", "EventLog", "EventTransaction", "ExamKey", "LoggedEvent"]


class ExamKey(NamedTuple):
    """date : ISO 8601"""

    animal: str
    date: str


@dataclass(frozen=True)
class EventContent:
    """An answer about to be stored.

    person : name of the user;  request_id : chosen by the sender; the same id twice is one answer
    snapshot_id : of the snapshot that the answer refers to
    before, after : the eggs and counts that it changed, as JSON documents
    """

    person: str
    request_id: str
    snapshot_id: int
    answer: Answer
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass(frozen=True)
class Event(EventContent):
    """A stored answer. sequence : from 1 within its exam;  at : UTC, ISO 8601

    entry, digest : its number and hash in the journal; 0 and "" before it is stored
    """

    sequence: int
    at: str
    entry: int = 0
    digest: str = ""


@dataclass(frozen=True)
class LoggedEvent:
    """An event with its exam."""

    exam: ExamKey
    event: Event


class EventTransaction:
    """The events of one exam while no other writer can add any. events : all so far, in order"""

    def __init__(self, writer: JournalWriter, exam: ExamKey) -> None:
        self._writer = writer
        self._exam = exam
        self.events = tuple(_event(entry) for entry in writer.exam_entries("answer", *exam))

    def find(self, request_id: str) -> Event | None:
        """The event that was stored for this request before, None if there is none."""
        return next((event for event in self.events if event.request_id == request_id), None)

    def append(self, content: EventContent) -> Event:
        """Add an event with the next sequence number and the current time."""
        stored = {
            "sequence": len(self.events) + 1,
            "person": content.person,
            "request": content.request_id,
            "snapshot": content.snapshot_id,
            "answer": content.answer.model_dump(mode="json"),
            "before": content.before,
            "after": content.after,
        }
        event = _event(self._writer.append("answer", stored, *self._exam))
        self.events = (*self.events, event)
        return event


class EventLog:
    """The answers of one output folder. May be used from many threads.

    Every method raises JournalError if the journal cannot be read or written, or was changed behind the program's back.
    """

    def __init__(self, journal: Journal) -> None:
        self.journal = journal

    @contextmanager
    def transaction(self, exam: ExamKey) -> Iterator[EventTransaction]:
        """Read an exam's events and add to them, with no other writer in between.

        What the block raises is passed on, and nothing is stored.
        """
        with self.journal.writing() as writer:
            yield EventTransaction(writer, exam)

    def events(self, exam: ExamKey) -> tuple[Event, ...]:
        """All answers of one exam, in order."""
        with self.journal.reading() as reader:
            return tuple(_event(entry) for entry in reader.exam_entries("answer", *exam))

    def head(self, exam: ExamKey) -> int:
        """The sequence of the exam's last answer, 0 if there is none."""
        with self.journal.reading() as reader:
            return len(reader.exam_numbers("answer", *exam))

    def events_after(self, entry: int, *, kinds: Container[str] | None = None) -> Sequence[LoggedEvent]:
        """The answers of all exams after this entry of the journal, in the order in which they were stored.

        kinds : of answers to return, None for all
        """
        with self.journal.reading() as reader:
            return [
                LoggedEvent(ExamKey(one.animal, one.date), _event(one))
                for one in reader.entries("answer", after=entry)
                if kinds is None or one.content["answer"]["kind"] in kinds
            ]

    def save_snapshot(self, exam: ExamKey, fingerprint: str, document: str) -> int:
        """The number of the exam's snapshot of this result; it is stored now if it was not before."""
        with self.journal.writing() as writer:
            for entry in writer.exam_entries("snapshot", *exam):
                if entry.content["fingerprint"] == fingerprint:
                    return entry.number
            return writer.append("snapshot", {"fingerprint": fingerprint, "document": document}, *exam).number

    def snapshots(self, exam: ExamKey) -> dict[int, str]:
        """The documents of all snapshots of an exam, by number."""
        with self.journal.reading() as reader:
            entries = reader.exam_entries("snapshot", *exam)
            return {entry.number: entry.content["document"] for entry in entries}


def _event(entry: Entry) -> Event:
    content = entry.content
    return Event(
        person=content["person"],
        request_id=content["request"],
        snapshot_id=content["snapshot"],
        answer=ANSWER_ADAPTER.validate_python(content["answer"]),
        before=content["before"],
        after=content["after"],
        sequence=content["sequence"],
        at=content.get("at", entry.at),  # entries of an earlier version keep their own time
        entry=entry.number,
        digest=entry.digest,
    )
