"""Which exams are signed now, by whom, and what was signed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.language.translation import stored
from pipeline.people.answers import ReopenExam, SignExam
from pipeline.people.event_log import Event, EventLog, ExamKey

__all__ = [
    "SIGNED_HTML",
    "SIGNED_JSON",
    "SIGNED_PDF",
    "SignedEgg",
    "StoredSignature",
    "current_signature",
    "current_signatures",
    "login_text",
    "stored_signature",
]

SIGNED_HTML, SIGNED_PDF, SIGNED_JSON = "signed.html", "signed.pdf", "signed.json"
"""The files that show a signature, in the folder of an exam."""


@dataclass(frozen=True)
class SignedEgg:
    """An object as it was signed. number : as in the review, which the listed eggs have on the sheet, too

    verdict : "egg", "not-egg", or "uncertain" where a person could not tell; None if nobody answered
    stage : as it is counted, or as the program saw it;  is_counted : whether it is among the signed counts
    """

    number: int
    verdict: str | None
    stage: str
    is_counted: bool


@dataclass(frozen=True)
class StoredSignature:
    """name, role : of the person who signed;  at : UTC, ISO 8601

    logged_in : with a password; False if the name was chosen at the machine itself; None if that was not recorded
    shelled, follicles : the counts as signed: at least, estimate, low, high;  stage : of the clutch
    eggs : every object that the review asked about; None for signatures of earlier versions, which did not record it
    entry, digest : the signature's number and hash in the journal
    """

    name: str
    role: str
    at: str
    logged_in: bool | None
    shelled: tuple[int, int, int, int]
    entry: int
    digest: str
    follicles: tuple[int, int, int, int] = (0, 0, 0, 0)
    stage: str = ""
    eggs: tuple[SignedEgg, ...] | None = None

    @property
    def is_confirmed(self) -> bool:
        """Whether people have said of every object what it is, so that the counts are what they saw."""
        return bool(self.eggs) and all(egg.verdict in ("egg", "not-egg") for egg in self.eggs or ())

    def confirmed(self, *, shelled: bool) -> int:
        """How many shelled eggs, or follicles, are counted."""
        return sum(egg.is_counted and (egg.stage != "follicle") == shelled for egg in self.eggs or ())


def current_signature(events: Sequence[Event]) -> StoredSignature | None:
    """The signature of an exam, from all answers about it, in order; None while it is open."""
    for event in reversed(events):
        if isinstance(event.answer, SignExam):
            return stored_signature(event, event.answer)
        if isinstance(event.answer, ReopenExam):
            return None
    return None


def current_signatures(event_log: EventLog) -> dict[ExamKey, StoredSignature]:
    """The signatures of all signed exams. Raises JournalError."""
    found: dict[ExamKey, StoredSignature] = {}
    for logged in event_log.events_after(0, kinds=("signed", "reopened")):
        if isinstance(logged.event.answer, SignExam):
            found[logged.exam] = stored_signature(logged.event, logged.event.answer)
        else:
            found.pop(logged.exam, None)
    return found


def login_text(logged_in: bool | None) -> str:
    """How the person who signed was known, in English; "" if that was not recorded."""
    if logged_in is None:
        return ""
    return stored("logged in with a password") if logged_in else stored("signed at this machine, not logged in")


def stored_signature(event: Event, answer: SignExam) -> StoredSignature:
    """The signature that an event made. answer : that of the event"""
    signed_eggs = event.after.get("signed_eggs")
    return StoredSignature(
        name=answer.name,
        role=answer.role,
        at=event.at,
        logged_in=answer.logged_in,
        shelled=_count(event.after["shelled"]),
        entry=event.entry,
        digest=event.digest,
        follicles=_count(event.after.get("follicles", (0, 0, 0, 0))),
        stage=event.after.get("stage", ""),
        eggs=None if signed_eggs is None else tuple(SignedEgg(*egg) for egg in signed_eggs),
    )


def _count(stored: Sequence[int]) -> tuple[int, int, int, int]:
    at_least, estimate, low, high = stored
    return at_least, estimate, low, high
