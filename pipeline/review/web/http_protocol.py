"""The protocol of the server's connections: that of uvicorn, with limits to what waiting connections hold up."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["MAXIMUM_CONNECTIONS", "REQUEST_SECONDS", "LimitedHttpProtocol"]

REQUEST_SECONDS = 20.0  # common practice, no source; a request of the largest size then needs 13 kB/s
# Each is an open file. Most systems allow a process 1024, and up to 512 new connections are accepted in one go.
MAXIMUM_CONNECTIONS = 400


class LimitedHttpProtocol(H11Protocol):
    """Ends a connection whose request, head and body, is not complete within `REQUEST_SECONDS`.

    The time runs from the start of the connection, or from the first byte of a later request on it; between requests
    uvicorn's own limit applies. Uvicorn would wait for ever for the rest of a request that has begun.

    Above `MAXIMUM_CONNECTIONS`, every new connection ends the waiting one whose time is up first: those who only hold
    connections keep nobody out.
    """

    _request_deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        self._update_deadline()
        if len(self.connections) > MAXIMUM_CONNECTIONS:
            self._end_longest_wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._update_deadline()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_deadline()
        super().connection_lost(exc)

    def _end_longest_wait(self) -> None:
        ours = [one for one in self.connections if isinstance(one, LimitedHttpProtocol)]
        timers = [
            (timer.when(), one) for one in ours if (timer := one._request_deadline or one.timeout_keep_alive_task)
        ]
        if timers:
            _, longest = min(timers, key=lambda timer: timer[0])
            self.connections.discard(longest)  # not found again before the loop has closed it
            longest.transport.abort()

    def _update_deadline(self) -> None:
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._cancel_deadline()
        elif self._request_deadline is None:
            self._request_deadline = self.loop.call_later(REQUEST_SECONDS, self.transport.abort)

    def _cancel_deadline(self) -> None:
        if self._request_deadline is not None:
            self._request_deadline.cancel()
            self._request_deadline = None
