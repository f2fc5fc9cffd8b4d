"""Locks of the people's file: one writer at a time, and nobody using it while a copy is put in its place.

The kernel releases them when the process ends, however it ends.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.people.chain import JournalError
from pipeline.store.lock import LockedError

__all__ = ["UseLock", "sole_use", "write_lock"]

PRIVATE = 0o600
WAIT_S = 60.0  # for other writers; each takes less than a second
POLL_S = 0.003


@contextmanager
def write_lock(out: Path) -> Iterator[None]:
    """Wait until no other thread or process writes.

    Raises JournalError if the folder cannot be written, or if somebody else does not stop writing.
    """
    descriptor = _opened(out / ".people.lock")
    deadline_s = time.monotonic() + WAIT_S
    try:
        while not _is_locked(descriptor):
            if time.monotonic() > deadline_s:
                raise JournalError(
                    f"{out}: another program has been writing for {WAIT_S:.0f} s. End it, and try again."
                )
            time.sleep(POLL_S)
        yield
    finally:
        os.close(descriptor)


class UseLock:
    """Held by everybody who has opened the people's file, until `close`."""

    def __init__(self, out: Path) -> None:
        self._descriptor = _opened(_use_path(out))
        fcntl.flock(self._descriptor, fcntl.LOCK_SH)

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
        self._descriptor = -1


@contextmanager
def sole_use(out: Path) -> Iterator[None]:
    """Keep everybody from opening the people's file. Raises LockedError if somebody has."""
    descriptor = _opened(_use_path(out))
    if not _is_locked(descriptor):
        os.close(descriptor)
        raise LockedError(f"{out}: a review or another command is using this folder. Stop it first.")
    try:
        yield
    finally:
        os.close(descriptor)


def _is_locked(descriptor: int) -> bool:
    """Whether the lock could be taken now."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _use_path(out: Path) -> Path:
    return out / ".people.use"


def _opened(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, PRIVATE)
    except OSError as error:
        raise JournalError(f"{path}: cannot be used ({error.strerror}). Make the folder writable.") from error
