"""The lock of an output folder, so that only one run at a time writes there: that of its database."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.store.folder_lock import LockedError
from pipeline.store.output_database import chosen_database, database_of, note_database

__all__ = ["LockedError", "hold_lock", "is_locked"]


@contextmanager
def hold_lock(out: Path, url: str = "") -> Iterator[None]:
    """Keep any other run from working in ``out`` at the same time, on this machine or another.

    url : of the database in the settings, "" for what the folder has; a new folder gets it

    Raises `LockedError` if another run holds the lock, `StoreError` if the folder or the database cannot be used.
    """
    database = chosen_database(out, url)
    with database.hold_lock():
        note_database(out, database)
        yield


def is_locked(out: Path) -> bool:
    """Whether a run holds the lock of this folder now. Nothing is created. Raises StoreError."""
    return database_of(out).is_locked()
