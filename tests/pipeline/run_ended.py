"""Output files without the time at which the run ended, which index and slip show."""

from __future__ import annotations

from pathlib import Path

from pipeline.attacks.kills import without_run_time

__all__ = ["contents"]

# Written anew by every run, or of no interest for readers.
INTERNAL = ("clutchlight.sqlite", "database.json", ".lock", "night.", "seen.sqlite")


def contents(out: Path) -> dict[str, bytes]:
    """Every file except databases, the lock, and the record and log of the night, by path, without times."""
    return {
        str(path.relative_to(out)): without_run_time(path.read_bytes())
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith(INTERNAL)
    }
