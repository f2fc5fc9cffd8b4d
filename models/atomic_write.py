"""Files that are either complete or absent, also after a crash."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["partial_file"]


@contextmanager
def partial_file(path: Path) -> Iterator[Path]:
    """A temporary path in the same folder to write to; it is renamed to ``path`` if no error is raised."""
    part = path.with_name(f".{path.name}.part")
    yield part
    part.replace(path)
