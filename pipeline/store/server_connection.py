"""Connections to a PostgreSQL server, by pg8000. Import it where it is used: the package may not be installed."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pg8000
from pg8000 import Error, InterfaceError

from pipeline.store.server_address import ServerAddress

__all__ = ["Error", "ServerConnection", "connect_to_server"]

# After this silence (s) the server asks whether the connection lives, so often (s), and so many times.
KEEPALIVE = {"tcp_keepalives_idle": "30", "tcp_keepalives_interval": "10", "tcp_keepalives_count": "3"}


class ServerConnection(pg8000.Connection):  # type: ignore[misc]
    """pg8000's connection, whose every failure is one of pg8000's errors, and which can be closed when it is broken."""

    def handle_messages(self, context: Any) -> None:
        try:
            super().handle_messages(context)
        except OSError as error:
            raise InterfaceError("network error") from error

    def close(self) -> None:
        with suppress(Error, OSError):
            super().close()


def connect_to_server(address: ServerAddress, name: str, timeout_s: float) -> ServerConnection:
    """Connect to a database. Raises pg8000's Error.

    name : shown in the server's list of connections;  timeout_s : after which a silent server counts as gone
    """
    options = {"timeout": timeout_s, "application_name": name[:63], "startup_params": KEEPALIVE}
    try:
        return ServerConnection(**address.connect_arguments(), **options)
    except OSError as error:
        raise InterfaceError("network error") from error
