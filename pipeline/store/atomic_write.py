"""Output files, written atomically (`models.atomic_write`), and what to do where a disk refuses them."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from pathlib import Path

from models.atomic_write import partial_file
from models.errors import ClutchlightError

__all__ = ["PRIVATE", "OutputError", "write_atomically", "write_private", "write_trouble"]

BUFFER_BYTES = 1 << 20  # fewer system calls for files written in many small pieces (common practice, no source)
PRIVATE = 0o600


class OutputError(ClutchlightError):
    """An output file that cannot be written. The text names the file and says what to do."""


def write_atomically(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file in one step, and create its folder if necessary. Raises OutputError.

    An error raised by ``chunks`` itself is passed on. After any error, no part of the new file is left.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with partial_file(path) as part, part.open("wb", buffering=BUFFER_BYTES) as file:
            file.writelines(chunks)
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {write_trouble(error)}") from error


def write_private(path: Path, content: bytes) -> None:
    """Write a file in one step that only its owner can read. Raises OSError."""
    with partial_file(path) as part:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, PRIVATE)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)


def write_trouble(error: OSError) -> str:
    """What is wrong and what to do, for the usual errors of a disk; for others, the system's own text."""
    file_in_the_way = "there is a file where a folder is needed. Move it away, or choose another folder with --out."
    permission_denied = "permission is denied. Choose another folder with --out, or have its permissions changed."
    advice = {
        errno.ENOSPC: "no space is left on the disk. Free some space, then run again; finished clips are kept.",
        errno.EDQUOT: "the disk quota is used up. Free some space, then run again; finished clips are kept.",
        errno.EROFS: "the disk is read-only. Choose another folder with --out, or make it writable.",
        errno.EACCES: permission_denied,
        errno.EPERM: permission_denied,
        errno.ENOTDIR: file_in_the_way,
        errno.EEXIST: file_in_the_way,
        errno.EISDIR: "a folder of that name is in the way. Move it away, then run again.",
        errno.EIO: "the disk reported an error. Check the disk, or choose another folder with --out.",
    }
    return advice.get(error.errno or 0, f"{error.strerror or error}. Choose another folder with --out.")
