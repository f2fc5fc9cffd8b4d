"""Slows the guessing of passwords without shutting anybody out."""

from __future__ import annotations

import ipaddress
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

__all__ = ["LoginOrigin", "LoginThrottle"]

# Common practice, no source.
FREE_TRIES = 5  # for mistakes in typing
FIRST_DELAY_S, MAXIMUM_DELAY_S = 2.0, 300.0  # before the next try; doubles with every failure
FORGET_S = 900.0  # after the last try
MAXIMUM_RUNNING = 4  # tries of one network at once; all others wait for their passwords to be checked
MAXIMUM_ORIGINS = 10_000
RUNNING_RETRY_S = 1.0


class LoginOrigin(NamedTuple):
    """Whose password is tried, and from where.

    network : the address, or of IPv6 the first 64 bits, since one machine may use all others (RFC 4291, section 2.5.1)
    """

    network: str
    name: str

    @classmethod
    def of(cls, address: str, name: str) -> LoginOrigin:
        """address : as the server sees it"""
        try:
            ip = ipaddress.ip_address(address)
        except ValueError:
            return cls(address, name.casefold())
        if isinstance(ip, ipaddress.IPv6Address):
            ip = ip.ipv4_mapped or ipaddress.IPv6Address(int(ip) >> 64 << 64)
        return cls(str(ip), name.casefold())


class _Tries(NamedTuple):
    """failed : how many, with those still running;  last_s : when the last began, by the clock of `LoginThrottle`"""

    failed: int
    last_s: float

    @property
    def next_s(self) -> float:
        """When the next may begin."""
        excess = self.failed - FREE_TRIES
        return self.last_s + (min(FIRST_DELAY_S * 2.0 ** min(excess, 30), MAXIMUM_DELAY_S) if excess >= 0 else 0.0)


@dataclass
class LoginThrottle:
    """Delays that grow with the failures of one name from one network.

    Failures from elsewhere delay nobody: otherwise a stranger could keep a user out by failing on purpose. A try counts
    as failed from its beginning, so that many at once are not all let through. now : the clock, s
    """

    now: Callable[[], float] = time.monotonic
    _tries: dict[LoginOrigin, _Tries] = field(default_factory=dict)
    _running: Counter[str] = field(default_factory=Counter)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, origin: LoginOrigin) -> float:
        """0.0 if the password may be checked now; `end` must follow. Otherwise how long to wait, s."""
        with self._lock:
            now = self.now()
            if self._running[origin.network] >= MAXIMUM_RUNNING:
                return RUNNING_RETRY_S
            tries = self._tries.get(origin)
            if tries is None or now - tries.last_s >= FORGET_S:
                tries = _Tries(0, now)
            if tries.next_s > now:
                return tries.next_s - now
            self._tries[origin] = _Tries(tries.failed + 1, now)
            self._running[origin.network] += 1
            if len(self._tries) > MAXIMUM_ORIGINS:
                self._forget_some(now)
            return 0.0

    def end(self, origin: LoginOrigin, *, is_right: bool) -> None:
        """The password has been checked."""
        with self._lock:
            self._running[origin.network] -= 1
            if not self._running[origin.network]:
                del self._running[origin.network]
            if is_right:
                self._tries.pop(origin, None)

    def _forget_some(self, now: float) -> None:
        """Half of the origins remain at most. Those that failed most do, or trying other names would erase them."""
        recent = [(tries, origin) for origin, tries in self._tries.items() if now - tries.last_s < FORGET_S]
        recent.sort(reverse=True)
        self._tries = {origin: tries for tries, origin in recent[: MAXIMUM_ORIGINS // 2]}
