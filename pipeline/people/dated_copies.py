"""Dated copies of the people's file and of the store, made while others read and write (SQLite's backup API).

A copy is a folder named by time and reason, with the databases, the head of the chain and ``backup.json``. Copies that
were asked for are kept; of those made every night, before a migration or before restoring, the last of each of the
newest days and months.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.people.chain import ChainIndex, DamageError, JournalError, Tip
from pipeline.people.head_file import HeadFile, write_private
from pipeline.people.schema import ENTRY_COLUMNS, people_path

__all__ = ["CopyReason", "DatedCopy", "copies_folder", "copy_files", "find_copies", "newest_copy", "remove_old_copies"]

CopyReason = Literal["asked", "night", "migration", "restore"]
AUTOMATIC: tuple[CopyReason, ...] = ("night", "migration", "restore")
STAMP = "%Y%m%dT%H%M%S"
DESCRIPTION = "backup.json"


@dataclass(frozen=True)
class DatedCopy:
    """made : UTC"""

    folder: Path
    made: dt.datetime
    reason: str


def copies_folder(out: Path) -> Path:
    return out / "backups"


def copy_files(sources: Sequence[Path], folder: Path, reason: CopyReason, now: dt.datetime | None = None) -> DatedCopy:
    """Copy databases into a new folder under ``folder``. now : UTC, for tests

    Raises JournalError if a file cannot be read or written, or if the copied chain is broken.
    """
    made = now or dt.datetime.now(dt.UTC)
    target = _free_name(folder, f"{made.strftime(STAMP)}-{reason}")
    part = target.with_name(f".{target.name}.part")
    try:
        part.mkdir(mode=0o700, parents=True)
        document: dict[str, object] = {"made": made.isoformat(timespec="seconds"), "reason": reason}
        files = {}
        for source in sources:
            copy_database(source, part / source.name)
            if source.name == people_path(part).name:
                tip = chain_tip(part / source.name)
                HeadFile(part).write(tip)
                document["entries"], document["head"] = tip
            files[source.name] = file_digest(part / source.name)
        write_private(part / DESCRIPTION, json.dumps({**document, "files": files}, indent=2).encode())
        part.rename(target)
    except (DamageError, OSError, sqlite3.Error) as error:
        raise JournalError(
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


def chain_tip(path: Path) -> Tip:
    """Verify the chain of a people's file, and return its end. Raises DamageError or sqlite3.Error."""
    return verified_chain(path).tip


def verified_chain(path: Path) -> ChainIndex:
    """The chain of a people's file, without regard to its head file. Raises DamageError or sqlite3.Error."""
    index = ChainIndex()
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        index.extend(connection.execute(f"SELECT {ENTRY_COLUMNS} FROM entries ORDER BY number"))
    return index


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


def newest_copy(out: Path) -> Path | None:
    """The newest copy that holds anything that people said, None if there is none."""
    copies = reversed(find_copies(copies_folder(out)))
    return next((copy.folder for copy in copies if copied_head(copy.folder)), None)


def copied_head(folder: Path) -> Tip | None:
    """The end of the chain when the copy was made; None if it holds no people's file, or an empty one."""
    try:
        document = json.loads((folder / DESCRIPTION).read_text(encoding="utf-8"))
        tip = Tip(int(document["entries"]), str(document["head"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return tip if tip.length else None


def copied_digests(folder: Path) -> dict[str, str]:
    """SHA-256 of the copied files by name, as it was when they were copied. Raises DamageError."""
    try:
        return dict(json.loads((folder / DESCRIPTION).read_text(encoding="utf-8"))["files"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DamageError(f"its {DESCRIPTION} cannot be read ({error})") from error


def remove_old_copies(out: Path, *, days: int, months: int) -> list[Path]:
    """Of the copies that were made automatically, for each reason, keep the last of each of the newest days and months.

    Returns what was removed. Raises JournalError.
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
        raise JournalError(f"{error.filename}: this old copy cannot be removed ({error.strerror}).") from error
    return removed


def _free_name(folder: Path, name: str) -> Path:
    names = (name, *(f"{name}.{number}" for number in range(2, 10_000)))
    return next(folder / one for one in names if not (folder / one).exists())
