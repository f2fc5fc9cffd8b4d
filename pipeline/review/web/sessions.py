"""Who has come in: sessions in memory, gone with the server, and a limit on tries of passwords."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from pipeline.review.users import Person

__all__ = ["Attempts", "Presence", "Session", "Sessions"]

LASTS_SECONDS = 12 * 3600.0
MOST_SESSIONS = 2000
HERE_SECONDS = 15.0


@dataclass(frozen=True)
class Session:
    """token : the cookie's;  form_token : told to our own pages only, and asked back with every answer"""

    token: str
    form_token: str
    person: Person
    ends: float


@dataclass
class Sessions:
    """now : the clock, s"""

    now: Callable[[], float] = time.monotonic
    _open: dict[str, Session] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, person: Person) -> Session:
        session = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), person, self.now() + LASTS_SECONDS)
        with self._lock:
            self._open = {token: one for token, one in self._open.items() if one.ends > self.now()}
            while len(self._open) >= MOST_SESSIONS:
                self._open.pop(next(iter(self._open)))
            self._open[session.token] = session
        return session

    def find(self, token: str | None) -> Session | None:
        session = self._open.get(token) if token else None
        return session if session is not None and session.ends > self.now() else None

    def end(self, token: str) -> None:
        with self._lock:
            self._open.pop(token, None)


@dataclass
class Attempts:
    """Failed logins by some key: after ``most`` of one within ``seconds`` no more are heard."""

    most: int = 5
    seconds: float = 900.0
    now: Callable[[], float] = time.monotonic
    _failed: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_seconds(self, key: str) -> float:
        """How long until another try is heard, 0 where it is at once."""
        with self._lock:
            recent = self._recent(key)
        return recent[-self.most] + self.seconds - self.now() if len(recent) >= self.most else 0.0

    def failed(self, key: str) -> None:
        with self._lock:
            self._failed[key] = [*self._recent(key), self.now()]
            if len(self._failed) > 10_000:
                self._failed = {key: times for key in list(self._failed) if (times := self._recent(key))}

    def succeeded(self, key: str) -> None:
        with self._lock:
            self._failed.pop(key, None)

    def _recent(self, key: str) -> list[float]:
        return [then for then in self._failed.get(key, []) if self.now() - then < self.seconds]


@dataclass
class Presence:
    """Who looks at which exam just now."""

    now: Callable[[], float] = time.monotonic
    _seen: dict[str, dict[str, tuple[str, float]]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def others(self, folder: str, session: Session) -> list[str]:
        """Note that this session looks at the exam; the names of the others who do."""
        now = self.now()
        with self._lock:
            here = {
                token: (name, then)
                for token, (name, then) in self._seen.get(folder, {}).items()
                if now - then < HERE_SECONDS
            }
            here[session.token] = session.person.name, now
            self._seen[folder] = here
            return sorted({name for name, _ in here.values()} - {session.person.name})
