"""One run at a time in an output folder."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.store.store import StoreError

__all__ = ["LockedError", "hold_lock"]


class LockedError(ClutchlightError):
    """Another run works in the same output folder."""


@contextmanager
def hold_lock(out: Path) -> Iterator[None]:
    """Keep other runs out of ``out`` while the block runs, with a lock on ``out/.lock``.

    The lock is the kernel's, so it goes when its process goes, however that ends. The file stays: removing it
    would let two runs lock two files of one name.

    Raises `LockedError` where another run holds it, `StoreError` where the folder cannot be written.
    """
    path = out / ".lock"
    try:
        out.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreError(
            f"{path}: this output folder cannot be used ({error.strerror}). Choose a folder that can be "
            "written with --out."
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
                f"{out}: another run works in this folder (process {holder or 'unknown'}). Wait until it has "
                "ended, or choose another folder with --out."
            ) from error
        try:
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode("ascii"), 0)
        except OSError:
            pass  # The number only helps a person; a full disk must not stop a run that writes nothing.
        yield
    finally:
        os.close(descriptor)
