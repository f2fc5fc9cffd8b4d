"""A lock on the output folder, for where its store is a file in it: only one run at a time writes there."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.store.schema import StoreError

__all__ = ["LockedError", "hold_folder_lock", "is_folder_locked"]


class LockedError(ClutchlightError):
    """Another run holds the lock of the output folder."""


@contextmanager
def hold_folder_lock(out: Path) -> Iterator[None]:
    """Hold a lock on ``out/.lock``, so that no other run works in ``out`` at the same time.

    The kernel releases the lock when the process ends, however it ends. The file is never removed: otherwise two runs
    could lock two different files of the same name.

    Raises `LockedError` if another run holds the lock, `StoreError` if the folder cannot be written.
    """
    path = out / ".lock"
    try:
        out.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o644)
    except OSError as error:
        if error.errno == errno.ELOOP:
            # The process number would otherwise overwrite whatever the link leads to.
            raise StoreError(f"{path}: a link instead of the file that locks this folder; remove the link.") from error
        raise StoreError(
            f"{path}: this output folder cannot be used ({error.strerror}). Choose a writable folder with --out."
        ) from error
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise StoreError(
                    f"{path}: files cannot be locked on this disk ({error.strerror}). Choose a folder on "
                    "a local disk with --out."
                ) from error
            holder = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip()
            raise LockedError(
                f"{out}: another run is using this folder (process {holder or 'unknown'}). Wait until it has "
                "ended, or choose another folder with --out."
            ) from error
        try:
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode("ascii"), 0)
        except OSError:
            pass  # The process number is only for people. A full disk must not stop a run that has nothing to write.
        yield
    finally:
        os.close(descriptor)


def is_folder_locked(out: Path) -> bool:
    """Whether a run holds the lock of this folder now. Nothing is created."""
    try:
        descriptor = os.open(out / ".lock", os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in (errno.EWOULDBLOCK, errno.EACCES)
    finally:
        os.close(descriptor)
    return False
