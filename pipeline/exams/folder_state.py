"""What an exam folder shows from outside: its date, and whether anything in it has changed. No file is opened."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from dataclasses import dataclass

from pipeline.locations.file_state import etag_of
from pipeline.locations.location import list_folder

__all__ = ["KnownExam", "date_of_name", "folder_state"]


_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


@dataclass(frozen=True, slots=True)
class KnownExam:
    """An exam whose folder is as it was when it was last processed.

    folder : absolute;  clips : names of its files;  results : the folder of its results, relative to the output folder
    """

    folder: str
    animal: str
    date: dt.date
    clips: tuple[str, ...]
    results: str


def date_of_name(name: str) -> dt.date | None:
    """The date that a folder is named after, None if its name is no date of the form 2026-05-14."""
    try:
        return dt.date.fromisoformat(name) if _DATE.fullmatch(name) else None
    except ValueError:
        return None


def folder_state(folder: str) -> str | None:
    """A digest of the names, sizes, times of last change and tags of all that is in it; equal if nothing changed.

    None if the folder cannot be read, or holds a link, which may lead to something else tomorrow. Hidden files do not
    count, as they are no recordings.
    """
    lines: list[str] = []
    if not _collect(folder, "", lines):
        return None
    return hashlib.blake2b("\n".join(sorted(lines)).encode("utf-8", "surrogateescape"), digest_size=16).hexdigest()


def _collect(folder: str, prefix: str, lines: list[str]) -> bool:
    """Add a line for each file. False if the folder cannot be read, or holds a link."""
    try:
        for entry in list_folder(folder):
            name = entry.name
            if name.startswith("."):
                continue
            if entry.is_symlink():
                return False
            if entry.is_dir():
                if not _collect(entry.path, f"{prefix}{name}/", lines):
                    return False
                lines.append(f"{prefix}{name}/")
            else:
                stat = entry.stat()
                lines.append(f"{prefix}{name}\0{stat.st_size}\0{stat.st_mtime_ns}{etag_of(stat)}")
    except OSError:
        return False
    return True
