"""What the routes share."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from anyio import CapacityLimiter

from pipeline.review.answer_service import AnswerService
from pipeline.review.best_view import usable_clips
from pipeline.review.cases import CaseStore, ReviewCase
from pipeline.review.event_log import EventLog
from pipeline.review.frame_cache import FrameCache, FrameUnavailableError
from pipeline.review.users import Users
from pipeline.review.web.login_throttle import LoginThrottle
from pipeline.review.web.sessions import Presence, Session, Sessions
from pipeline.review.web.worklist import Worklist
from pipeline.settings import Settings

__all__ = ["AppContext", "open_app_context"]


@dataclass(frozen=True)
class AppContext:
    """The services of one output folder, and how it is served.

    allowed_hosts : accepted Host headers, as in ``localhost:8017``
    needs_login : whether users need a password; if the server is reached from this machine only, they need none
    is_encrypted : whether users reach the server by HTTPS only, its own or that of a proxy
    password_checks : lets one password be checked at a time: each check takes 64 MiB, and strangers may send many
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
    login_throttle: LoginThrottle = field(default_factory=LoginThrottle)
    password_checks: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(1))
    presence: Presence = field(default_factory=Presence)

    def case(self, animal: str, date: str) -> ReviewCase | None:
        return self.cases.case(f"{animal}/{date}")

    def session(self, token: str | None) -> Session | None:
        """The session of a cookie, with the user's current role and permission.

        None if there is none, or if the user was removed or has another password than at login.
        """
        session = self.sessions.find(token)
        if session is None or not self.needs_login:
            return session
        account = self.users.find(session.user.name)
        if account is None or account.password_hash != session.password_hash:
            self.sessions.end(session.token)
            return None
        return replace(session, user=account.user)

    def frame(self, case: ReviewCase, clip_index: int, index: int) -> bytes:
        """One frame as JPEG. clip_index : place in `usable_clips`. Raises FrameUnavailableError."""
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
    """Raises StoreError or EventLogError if the output folder cannot be used."""
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
