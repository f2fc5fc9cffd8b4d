"""Which exams are signed now, by whom, and what was signed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.people.answers import ReopenExam, SignExam
from pipeline.people.event_log import Event, EventLog, ExamKey

__all__ = ["StoredSignature", "current_signature", "current_signatures", "login_text"]


@dataclass(frozen=True)
class StoredSignature:
    """name, role : of the person who signed;  at : UTC, ISO 8601

    logged_in : with a password; False if the name was chosen at the machine itself; None if that was not recorded
    shelled : the count of shelled eggs as signed: at least, estimate, low, high
    entry, digest : the signature's number and hash in the journal
    """

    name: str
    role: str
    at: str
    logged_in: bool | None
    shelled: tuple[int, int, int, int]
    entry: int
    digest: str


def current_signature(events: Sequence[Event]) -> StoredSignature | None:
    """The signature of an exam, from all answers about it, in order; None while it is open."""
    for event in reversed(events):
        if isinstance(event.answer, SignExam):
            return _stored(event, event.answer)
        if isinstance(event.answer, ReopenExam):
            return None
    return None


def current_signatures(event_log: EventLog) -> dict[ExamKey, StoredSignature]:
    """The signatures of all signed exams. Raises JournalError."""
    found: dict[ExamKey, StoredSignature] = {}
    for logged in event_log.events_after(0, kinds=("signed", "reopened")):
        if isinstance(logged.event.answer, SignExam):
            found[logged.exam] = _stored(logged.event, logged.event.answer)
        else:
            found.pop(logged.exam, None)
    return found


def login_text(logged_in: bool | None) -> str:
    """How the person who signed was known, "" if that was not recorded."""
    if logged_in is None:
        return ""
    return "logged in with a password" if logged_in else "signed at this machine, not logged in"


def _stored(event: Event, answer: SignExam) -> StoredSignature:
    at_least, estimate, low, high = event.after["shelled"]
    return StoredSignature(
        answer.name, answer.role, event.at, answer.logged_in, (at_least, estimate, low, high), event.entry, event.digest
    )
