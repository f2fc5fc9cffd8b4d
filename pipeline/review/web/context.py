"""All that the server's addresses share."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.review.answer_service import Desk
from pipeline.review.event_log import Journal
from pipeline.review.exam_view import clips_of
from pipeline.review.frame_cache import FramesError, Reels
from pipeline.review.reviewed_exams import Case, Cases
from pipeline.review.users import People
from pipeline.review.web.sessions import Attempts, Presence, Session, Sessions
from pipeline.review.web.worklist import Worklist
from pipeline.settings import Settings

__all__ = ["Office", "open_office"]


@dataclass(frozen=True)
class Office:
    """hosts : the names and ports that the page is asked for by, as in ``localhost:8017``

    needs_login : whether people prove who they are; on this machine alone they only say it
    is_encrypted : whether it is served by HTTPS
    attempts, attempts_from : failed logins by name, and by address, which behind a proxy many people share
    """

    out: Path
    journal: Journal
    cases: Cases
    desk: Desk
    worklist: Worklist
    reels: Reels
    people: People
    hosts: frozenset[str]
    needs_login: bool
    is_encrypted: bool
    sessions: Sessions = field(default_factory=Sessions)
    attempts: Attempts = field(default_factory=Attempts)
    attempts_from: Attempts = field(default_factory=lambda: Attempts(most=50))
    presence: Presence = field(default_factory=Presence)

    def case(self, animal: str, date: str) -> Case | None:
        return self.cases.case(f"{animal}/{date}")

    def session(self, token: str | None) -> Session | None:
        """Whose session this is, with what they may do now; None where there is none, or they may no longer come in."""
        session = self.sessions.find(token)
        if session is None or not self.needs_login:
            return session
        person = self.people.standing(session.person.name)
        if person is None:
            self.sessions.end(session.token)
            return None
        return replace(session, person=person)

    def frame(self, case: Case, place: int, index: int) -> bytes:
        """One frame, as JPEG, of the clip at a place among those shown. Raises FramesError."""
        scan = clips_of(case.scans)[place]
        if index >= scan.frames:
            raise FramesError(f"{scan.file} has no frame {index}.")
        path = next(clip.path for clip in case.exam.clips if clip.file == scan.file)
        return self.reels.frame(path, scan, index)

    def close(self) -> None:
        self.reels.close()
        self.cases.close()
        self.journal.close()


def open_office(
    out: Path, settings: Settings, *, hosts: frozenset[str], needs_login: bool, is_encrypted: bool = False
) -> Office:
    """Raises StoreError or JournalError where the output folder cannot be used."""
    cases = Cases(out, settings)
    journal = Journal(out)
    return Office(
        out=out,
        journal=journal,
        cases=cases,
        desk=Desk(journal),
        worklist=Worklist(journal),
        reels=Reels(settings.ingest),
        people=People(journal),
        hosts=hosts,
        needs_login=needs_login,
        is_encrypted=is_encrypted,
    )
