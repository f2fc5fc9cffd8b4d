"""Output files without the time at which the run ended, which index and slip show."""

from __future__ import annotations

import re
from pathlib import Path

__all__ = ["contents", "timeless"]

# Written anew by every run, or of no interest for readers.
INTERNAL = ("clutchlight.sqlite", ".lock", "night.", "seen.sqlite")


def timeless(data: bytes) -> bytes:
    """A file without the time at which the run ended."""
    data = re.sub(rb'data-ended="[^"]*"', b"", data)
    return re.sub(rb"[Rr]un ended \d+ \w+ \d{4}, \d\d:\d\d", b"", data)


def contents(out: Path) -> dict[str, bytes]:
    """Every file except databases, the lock, and the record and log of the night, by path, without times."""
    return {
        str(path.relative_to(out)): timeless(path.read_bytes())
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith(INTERNAL)
    }
