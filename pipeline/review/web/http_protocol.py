"""The protocol of the server's connections: that of uvicorn, and a time within which a request must have arrived."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["REQUEST_SECONDS", "TimedHttpProtocol"]

REQUEST_SECONDS = 20.0  # common practice, no source; a request of the largest size then needs 13 kB/s


class TimedHttpProtocol(H11Protocol):
    """Ends a connection whose request, head and body, is not complete within `REQUEST_SECONDS`.

    The time runs from the start of the connection, or from the first byte of a later request on it; between requests
    uvicorn's own limit applies. Uvicorn would wait for ever for the rest of a request that has begun.
    """

    _request_deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        self._update_deadline()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._update_deadline()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_deadline()
        super().connection_lost(exc)

    def _update_deadline(self) -> None:
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._cancel_deadline()
        elif self._request_deadline is None:
            self._request_deadline = self.loop.call_later(REQUEST_SECONDS, self.transport.abort)

    def _cancel_deadline(self) -> None:
        if self._request_deadline is not None:
            self._request_deadline.cancel()
            self._request_deadline = None
