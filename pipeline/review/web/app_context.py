"""All that the server's addresses share."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.review.answer_service import AnswerService
from pipeline.review.cases import CaseStore, ReviewCase
from pipeline.review.event_log import EventLog
from pipeline.review.exam_document import usable_clips
from pipeline.review.frame_cache import FrameCache, FrameUnavailableError
from pipeline.review.users import Users
from pipeline.review.web.sessions import LoginRateLimit, Presence, Session, Sessions
from pipeline.review.web.worklist import Worklist
from pipeline.settings import Settings

__all__ = ["AppContext", "open_app_context"]


@dataclass(frozen=True)
class AppContext:
    """allowed_hosts : the names and ports that the page is asked for by, as in ``localhost:8017``

    needs_login : whether people prove who they are; on this machine alone they only say it
    is_encrypted : whether it is served by HTTPS
    rate_limit_by_name, rate_limit_by_address : failed logins by name, and by address, which behind a proxy many people share
    """

    out: Path
    event_log: EventLog
    cases: CaseStore
    answer_service: AnswerService
    worklist: Worklist
    frame_cache: FrameCache
    users: Users
    allowed_hosts: frozenset[str]
    needs_login: bool
    is_encrypted: bool
    sessions: Sessions = field(default_factory=Sessions)
    rate_limit_by_name: LoginRateLimit = field(default_factory=LoginRateLimit)
    rate_limit_by_address: LoginRateLimit = field(default_factory=lambda: LoginRateLimit(max_failures=50))
    presence: Presence = field(default_factory=Presence)

    def case(self, animal: str, date: str) -> ReviewCase | None:
        return self.cases.case(f"{animal}/{date}")

    def session(self, token: str | None) -> Session | None:
        """Whose session this is, with what they may do now; None where there is none, or they may no longer come in."""
        session = self.sessions.find(token)
        if session is None or not self.needs_login:
            return session
        user = self.users.find(session.user.name)
        if user is None:
            self.sessions.end(session.token)
            return None
        return replace(session, user=user)

    def frame(self, case: ReviewCase, clip_index: int, index: int) -> bytes:
        """One frame, as JPEG, of the clip at a place among those shown. Raises FrameUnavailableError."""
        scan = usable_clips(case.scans)[clip_index]
        if index >= scan.frames:
            raise FrameUnavailableError(f"{scan.file} has no frame {index}.")
        path = next(clip.path for clip in case.exam.clips if clip.file == scan.file)
        return self.frame_cache.frame(path, scan, index)

    def close(self) -> None:
        self.frame_cache.close()
        self.cases.close()
        self.event_log.close()


def open_app_context(
    out: Path, settings: Settings, *, allowed_hosts: frozenset[str], needs_login: bool, is_encrypted: bool = False
) -> AppContext:
    """Raises StoreError or EventLogError where the output folder cannot be used."""
    cases = CaseStore(out, settings)
    event_log = EventLog(out)
    return AppContext(
        out=out,
        event_log=event_log,
        cases=cases,
        answer_service=AnswerService(event_log),
        worklist=Worklist(event_log),
        frame_cache=FrameCache(settings.ingest),
        users=Users(event_log),
        allowed_hosts=allowed_hosts,
        needs_login=needs_login,
        is_encrypted=is_encrypted,
    )
