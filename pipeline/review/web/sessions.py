"""Who has come in: sessions in memory, gone with the server, and a limit on tries of passwords."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from pipeline.review.users import User

__all__ = ["LoginRateLimit", "Presence", "Session", "Sessions"]

SESSION_SECONDS = 12 * 3600.0
MAXIMUM_SESSIONS = 2000
PRESENCE_SECONDS = 15.0


@dataclass(frozen=True)
class Session:
    """token : the cookie's;  csrf_token : told to our own pages only, and asked back with every answer"""

    token: str
    csrf_token: str
    user: User
    expires_at_s: float


@dataclass
class Sessions:
    """now : the clock, s"""

    now: Callable[[], float] = time.monotonic
    _open: dict[str, Session] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, user: User) -> Session:
        session = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), user, self.now() + SESSION_SECONDS)
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
class LoginRateLimit:
    """Failed logins by some key: after ``max_failures`` of one within window_s no more are heard."""

    max_failures: int = 5
    window_s: float = 900.0
    now: Callable[[], float] = time.monotonic
    _failed: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def retry_after_s(self, key: str) -> float:
        """How long until another try is heard, 0 where it is at once."""
        with self._lock:
            recent = self._recent(key)
        return recent[-self.max_failures] + self.window_s - self.now() if len(recent) >= self.max_failures else 0.0

    def record_failure(self, key: str) -> None:
        with self._lock:
            self._failed[key] = [*self._recent(key), self.now()]
            if len(self._failed) > 10_000:
                self._failed = {key: times for key in list(self._failed) if (times := self._recent(key))}

    def reset(self, key: str) -> None:
        with self._lock:
            self._failed.pop(key, None)

    def _recent(self, key: str) -> list[float]:
        return [then for then in self._failed.get(key, []) if self.now() - then < self.window_s]


@dataclass
class Presence:
    """Who looks at which exam just now."""

    now: Callable[[], float] = time.monotonic
    _seen: dict[str, dict[str, tuple[str, float]]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def heartbeat(self, folder: str, session: Session) -> list[str]:
        """Note that this session looks at the exam; the names of the others who do."""
        now = self.now()
        with self._lock:
            here = {
                token: (name, then)
                for token, (name, then) in self._seen.get(folder, {}).items()
                if now - then < PRESENCE_SECONDS
            }
            here[session.token] = session.user.name, now
            self._seen[folder] = here
            return sorted({name for name, _ in here.values()} - {session.user.name})
