"""Atomic writing: after a crash the old file is there or the new one, never half of one.

A file is written under a hidden name in its own folder, flushed to the disk and renamed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["partial_file"]


@contextmanager
def partial_file(path: Path) -> Iterator[Path]:
    """A temporary path in the same folder to write to; it is renamed to ``path`` if no error is raised.

    After an error, no part of the new file is left. Raises OSError if the file cannot be flushed or renamed.
    """
    part = path.with_name(f".{path.name}.part")  # always the same name, so that crashes leave at most one such file
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _flush_folder(path.parent)


def _flush_folder(folder: Path) -> None:
    """Make the rename survive a power cut, on systems where a folder can be opened."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
