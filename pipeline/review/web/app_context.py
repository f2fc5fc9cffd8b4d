"""What the routes share."""

from __future__ import annotations

import threading
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path

from anyio import CapacityLimiter

from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.people.users import Users
from pipeline.review.answer_service import AnswerService
from pipeline.review.cases import CaseStore, ReviewCase
from pipeline.review.frame_cache import FrameCache
from pipeline.review.signature_files import read_case_frame
from pipeline.review.web.login_throttle import LoginThrottle
from pipeline.review.web.sessions import Presence, Session, Sessions
from pipeline.review.web.worklist import Worklist
from pipeline.settings import Settings

__all__ = ["AppContext", "open_app_context"]


@dataclass(frozen=True)
class AppContext:
    """The services of one output folder, and how it is served.

    allowed_hosts : accepted Host headers, as in ``localhost:8017``
    needs_login : whether users need a password; if the server is reached from this machine
        only, they choose their name from a list
    is_encrypted : whether users reach the server by HTTPS only, its own or that of a proxy
    signature_files : held while the files of a signature are written
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
    signature_files: threading.Lock = field(default_factory=threading.Lock)
    presence: Presence = field(default_factory=Presence)

    def case(self, animal: str, date: str) -> ReviewCase | None:
        return self.cases.case(f"{animal}/{date}")

    def session(self, token: str | None) -> Session | None:
        """The session of a cookie, with the user's current role and permission.

        None if there is none, or if the user was removed or has another password than at login.
        """
        session = self.sessions.find(token)
        if session is None:
            return None
        account = self.users.find(session.user.name)
        if account is None or (self.needs_login and account.password_hash != session.password_hash):
            self.sessions.end(session.token)
            return None
        return replace(session, user=replace(account.user, logged_in=self.needs_login))

    def frame(self, case: ReviewCase, clip_index: int, index: int) -> bytes:
        """One frame as JPEG. clip_index : place in `usable_clips`. Raises FrameUnavailableError."""
        return read_case_frame(self.frame_cache, case, clip_index, index)

    def close(self) -> None:
        self.frame_cache.close()
        self.cases.close()
        self.event_log.journal.close()


def open_app_context(
    out: Path, settings: Settings, *, allowed_hosts: frozenset[str], needs_login: bool, is_encrypted: bool = False
) -> AppContext:
    """The services.

    Raises StoreError or JournalError if the output folder cannot be used.
    """
    with ExitStack() as opened:
        journal = opened.enter_context(closing(Journal(out)))
        event_log, cases = EventLog(journal), opened.enter_context(closing(CaseStore(out, settings, journal)))
        context = AppContext(
            out=out,
            event_log=event_log,
            cases=cases,
            answer_service=AnswerService(event_log),
            worklist=Worklist(event_log, cases),
            frame_cache=opened.enter_context(closing(FrameCache(settings.ingest))),
            users=Users(journal),
            allowed_hosts=allowed_hosts,
            needs_login=needs_login,
            is_encrypted=is_encrypted,
        )
        opened.pop_all()  # `AppContext.close` closes them
        return context
