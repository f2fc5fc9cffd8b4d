"""Files written whole: after a crash the old file is there or the new one, never half of one.

Each file is written under a hidden name in its own folder, flushed to the disk and renamed.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from pathlib import Path

from models.errors import ClutchlightError

__all__ = ["OutputError", "write_atomically", "write_trouble"]

BUFFER_BYTES = 1 << 20


class OutputError(ClutchlightError):
    """A report file that could not be written; the text names it and says what to do."""


def write_atomically(path: Path, chunks: Iterable[bytes]) -> None:
    """Put a file there in one step, making its folder if need be. Raises OutputError.

    An error among the chunks themselves is passed on; in every case no part of the new file is left.
    """
    part = path.with_name(f".{path.name}.part")  # always the same, so that a crash leaves at most one
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with part.open("wb", buffering=BUFFER_BYTES) as file:
                file.writelines(chunks)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        _settle(path.parent)
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {write_trouble(error)}") from error


def _settle(folder: Path) -> None:
    """Make the rename itself outlast a power cut, where the system lets a folder be opened."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_trouble(error: OSError) -> str:
    """What is wrong and what to do, for the errors a station meets; else the system's own words."""
    in_the_way = "a file lies where a folder is needed. Move it away, or choose another folder with --out."
    advice = {
        errno.ENOSPC: "no space is left on the disk. Free some, then run again; finished clips are kept.",
        errno.EDQUOT: "the disk quota is used up. Free some space, then run again; finished clips are kept.",
        errno.EROFS: "the disk is read-only. Choose another folder with --out, or make it writable.",
        errno.EACCES: "permission is denied. Choose another folder with --out, or have its rights changed.",
        errno.EPERM: "permission is denied. Choose another folder with --out, or have its rights changed.",
        errno.ENOTDIR: in_the_way,
        errno.EEXIST: in_the_way,
        errno.EISDIR: "a folder of that name is in the way. Move it away, then run again.",
        errno.EIO: "the disk reported a fault. Check the disk, or choose another folder with --out.",
    }
    return advice.get(error.errno or 0, f"{error.strerror or error}. Choose another folder with --out.")
