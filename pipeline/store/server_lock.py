"""The lock of a run where the store is on a server: an advisory lock, which ends with the connection that holds it.

So a killed run, a broken machine or a cut cable frees it, after a minute at most. The run notices at its next use of
the store, and ends: another one may have begun.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.store.folder_lock import LockedError
from pipeline.store.schema import StoreError
from pipeline.store.server_address import ServerAddress

if TYPE_CHECKING:
    from pipeline.store.server_connection import ServerConnection

__all__ = ["LockLostError", "check_lock", "hold_server_lock", "is_server_locked"]

KEY = 0x43_4C_52_55, 1  # "CLRU" in ASCII; own choice. Advisory locks are those of one database of the server
TIMEOUT_S = 30.0  # for the answer to a question that takes milliseconds

_IS_KEY = (
    f"locktype = 'advisory' AND classid = {KEY[0]} AND objid = {KEY[1]} AND objsubid = 2 AND granted "
    "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
)
_HOLDER = f"SELECT application_name FROM pg_locks JOIN pg_stat_activity USING (pid) WHERE {_IS_KEY}"


class LockLostError(StoreError):
    """The connection that held the lock of this run is gone."""


class _HeldLock:
    """connection : that holds it, used by one thread at a time"""

    def __init__(self, connection: ServerConnection) -> None:
        self._connection = connection
        self._lock = threading.Lock()
        self._is_lost = False

    def is_held(self) -> bool:
        from pipeline.store.server_connection import Error

        with self._lock:
            try:
                if not self._is_lost:
                    self._connection.run("SELECT 1")
            except Error:
                self._is_lost = True
            return not self._is_lost


_HELD: dict[ServerAddress, _HeldLock] = {}
"""The locks that this process holds."""


@contextmanager
def hold_server_lock(address: ServerAddress) -> Iterator[None]:
    """Hold the lock of a database. Raises LockedError if another run does; pg8000's Error."""
    connection = _connected(address)
    try:
        if not connection.run(f"SELECT pg_try_advisory_lock({KEY[0]}, {KEY[1]})")[0][0]:
            holder = next((row[0] for row in connection.run(_HOLDER)), None) or "unknown"
            raise LockedError(
                f"{address}: another run is using this database ({holder}). Wait until it has ended, or choose another "
                "folder with --out and another database."
            )
        _HELD[address] = _HeldLock(connection)
        yield
    finally:
        _HELD.pop(address, None)
        connection.close()


def check_lock(address: ServerAddress) -> None:
    """Raises LockLostError if this process held the lock of a database, and has lost it."""
    held = _HELD.get(address)
    if held is not None and not held.is_held():
        raise LockLostError(
            f"{address}: the connection to the database was lost in the middle of the run, and with it the lock: "
            "another run may have begun. Run the same command again: it continues; finished clips are kept."
        )


def is_server_locked(address: ServerAddress) -> bool:
    """Whether a run holds the lock of a database now. Raises pg8000's Error."""
    connection = _connected(address)
    try:
        return bool(connection.run(f"SELECT EXISTS (SELECT FROM pg_locks WHERE {_IS_KEY})")[0][0])
    finally:
        connection.close()


def _connected(address: ServerAddress) -> ServerConnection:
    from pipeline.store.server_connection import connect_to_server

    name = f"clutchlight, process {os.getpid()} on {socket.gethostname()}"
    connection = connect_to_server(address, name, TIMEOUT_S)
    connection.autocommit = True  # no transaction stays open for the whole run
    return connection
