"""Sessions, and who is viewing which exam. All in memory, lost when the server stops."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from pipeline.people.users import User

__all__ = ["Presence", "Session", "Sessions"]

# Common practice, no source.
SESSION_SECONDS = 12 * 3600.0
MAXIMUM_SESSIONS = 2000  # the oldest end first
PRESENCE_SECONDS = 15.0  # after the last sign of a page; an open one sends one every 4 s


@dataclass(frozen=True)
class Session:
    """token : of the cookie;  csrf_token : known to our own pages only, required with every change

    password_hash : of the user at login, "" without one
    expires_at_s : by the clock of `Sessions`
    """

    token: str
    csrf_token: str
    user: User
    password_hash: str
    expires_at_s: float


@dataclass
class Sessions:
    """The open sessions by token. now : the clock, s"""

    now: Callable[[], float] = time.monotonic
    _open: dict[str, Session] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, user: User, password_hash: str) -> Session:
        token, csrf_token = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        session = Session(token, csrf_token, user, password_hash, self.now() + SESSION_SECONDS)
        with self._lock:
            self._open = {token: one for token, one in self._open.items() if one.expires_at_s > self.now()}
            while len(self._open) >= MAXIMUM_SESSIONS:
                self._open.pop(next(iter(self._open)))
            self._open[session.token] = session
        return session

    def find(self, token: str | None) -> Session | None:
        session = self._open.get(token) if token else None
        return session if session is not None and session.expires_at_s > self.now() else None

    def end(self, token: str) -> None:
        with self._lock:
            self._open.pop(token, None)


@dataclass
class Presence:
    """Who is viewing which exam. now : the clock, s"""

    now: Callable[[], float] = time.monotonic
    _last_seen: dict[str, dict[str, tuple[str, float]]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def mark_present(self, folder: str, session: Session) -> None:
        """Record that this session is viewing the exam now."""
        with self._lock:
            self._last_seen[folder] = {
                **self._present(folder),
                session.token: (session.user.name, self.now()),
            }

    def other_viewers(self, folder: str, session: Session) -> list[str]:
        """The names of the other users who are viewing the exam."""
        with self._lock:
            return sorted({name for name, _ in self._present(folder).values()} - {session.user.name})

    def _present(self, folder: str) -> dict[str, tuple[str, float]]:
        now = self.now()
        return {
            token: (name, then)
            for token, (name, then) in self._last_seen.get(folder, {}).items()
            if now - then < PRESENCE_SECONDS
        }
