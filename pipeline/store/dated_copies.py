"""Dated copies of databases, made while others read and write (SQLite's backup API).

A copy is a folder named by time and reason, with the databases and ``backup.json``. Copies that were asked for are
kept; of those made every night, before a migration or before restoring, the last of each of the newest days and months.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from models.errors import ClutchlightError
from pipeline.store.atomic_write import write_private
from pipeline.store.schema_versions import DATABASE_ERRORS

__all__ = [
    "AUTOMATIC",
    "CopyError",
    "CopyReason",
    "DatedCopy",
    "copies_folder",
    "copy_database",
    "copy_databases",
    "file_digest",
    "find_copies",
    "read_description",
    "remove_old_copies",
]

CopyReason = Literal["asked", "night", "migration", "restore"]
AUTOMATIC: tuple[CopyReason, ...] = ("night", "migration", "restore")
STAMP = "%Y%m%dT%H%M%S"
DESCRIPTION = "backup.json"


class CopyError(ClutchlightError):
    """A copy that could not be made or removed. The text names the folder and says what to do."""


@dataclass(frozen=True)
class DatedCopy:
    """made : UTC"""

    folder: Path
    made: dt.datetime
    reason: str


def copies_folder(out: Path) -> Path:
    return out / "backups"


def _add_nothing(part: Path) -> Mapping[str, object]:
    return {}


def copy_databases(
    sources: Sequence[Path],
    folder: Path,
    reason: CopyReason,
    now: dt.datetime | None = None,
    *,
    add: Callable[[Path], Mapping[str, object]] = _add_nothing,
) -> DatedCopy:
    """Copy databases into a new folder under ``folder``.

    now : UTC, for tests
    add : called with the folder once the databases are there; may add files, and returns entries of ``backup.json``

    Raises CopyError if a file cannot be read or written. What ``add`` raises is passed on, and no copy is left.
    """
    made = now or dt.datetime.now(dt.UTC)
    target = _free_name(folder, f"{made.strftime(STAMP)}-{reason}")
    part = target.with_name(f".{target.name}.part")
    try:
        part.mkdir(mode=0o700, parents=True)
        for source in sources:
            copy_database(source, part / source.name)
        document = {"made": made.isoformat(timespec="seconds"), "reason": reason, **add(part)}
        files = {source.name: file_digest(part / source.name) for source in sources}
        write_private(part / DESCRIPTION, json.dumps({**document, "files": files}, indent=2).encode())
        part.rename(target)
    except (OSError, *DATABASE_ERRORS) as error:
        raise CopyError(
            f"{target}: the copy could not be made ({error}). Free some space, or choose another folder."
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return DatedCopy(target, made, reason)


def copy_database(source: Path, target: Path) -> None:
    """Copy a database that others may be using. Raises OSError or sqlite3.Error."""
    os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600))
    address = f"{source.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as origin, closing(sqlite3.connect(target)) as copy:
        origin.backup(copy)  # all pages in one step, so the copy is of one moment
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, without side files
    with target.open("rb+") as file:
        os.fsync(file.fileno())


def file_digest(path: Path) -> str:
    """SHA-256 of a file, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def find_copies(folder: Path) -> list[DatedCopy]:
    """The copies in a folder, the oldest first. What is no copy is left out."""
    copies = []
    for path in folder.iterdir() if folder.is_dir() else ():
        stamp, _, reason = path.name.partition("-")
        try:
            made = dt.datetime.strptime(stamp, STAMP).replace(tzinfo=dt.UTC)
        except ValueError:
            continue
        if (path / DESCRIPTION).is_file():
            copies.append(DatedCopy(path, made, reason.split(".")[0]))
    return sorted(copies, key=lambda copy: (copy.made, copy.folder.name))


def read_description(folder: Path) -> dict[str, Any]:
    """The content of ``backup.json``. Raises OSError, or ValueError if it is damaged."""
    document = json.loads((folder / DESCRIPTION).read_text(encoding="utf-8"))
    if not isinstance(document, dict) or not isinstance(document.get("files"), dict):
        raise ValueError("it does not describe a copy")
    return document


def remove_old_copies(out: Path, *, days: int, months: int) -> list[Path]:
    """Of the copies that were made automatically, for each reason, keep the last of each of the newest days and months.

    Returns what was removed. Raises CopyError.
    """
    removed = []
    for reason in AUTOMATIC:
        copies = [copy for copy in find_copies(copies_folder(out)) if copy.reason == reason]
        by_day = {copy.made.date(): copy.folder for copy in copies}
        by_month = {(copy.made.year, copy.made.month): copy.folder for copy in copies}
        kept = {*list(by_day.values())[-days:], *list(by_month.values())[-months:]}
        removed += [copy.folder for copy in copies if copy.folder not in kept]
    try:
        for folder in removed:
            shutil.rmtree(folder)
    except OSError as error:
        raise CopyError(f"{error.filename}: this old copy cannot be removed ({error.strerror}).") from error
    return removed


def _free_name(folder: Path, name: str) -> Path:
    names = (name, *(f"{name}.{number}" for number in range(2, 10_000)))
    return next(folder / one for one in names if not (folder / one).exists())
