"""Dated copies that hold what people said: the head of the chain is copied as well, and stated in ``backup.json``."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from pipeline.people.chain import ChainIndex, DamageError, Tip
from pipeline.people.head_file import HeadFile
from pipeline.people.schema import ENTRY_COLUMNS, people_path
from pipeline.store.dated_copies import (
    CopyError,
    CopyReason,
    DatedCopy,
    copies_folder,
    copy_databases,
    find_copies,
    read_description,
)

__all__ = ["chain_tip", "copied_digests", "copied_head", "copy_files", "newest_copy", "verified_chain"]


def copy_files(sources: Sequence[Path], folder: Path, reason: CopyReason, now: dt.datetime | None = None) -> DatedCopy:
    """Copy databases, the people's file with its head, into a new folder under ``folder``. now : UTC, for tests

    Raises CopyError if a file cannot be read or written, or if the copied chain is broken.
    """
    try:
        return copy_databases(sources, folder, reason, now, add=_add_head)
    except DamageError as error:
        raise CopyError(f"{folder}: no copy could be made of {people_path(folder).name}: {error}.") from error


def _add_head(part: Path) -> dict[str, object]:
    """Write the head file of a copied people's file, and describe it."""
    path = people_path(part)
    if not path.exists():
        return {}
    tip = chain_tip(path)
    HeadFile(part).write(tip)
    return {"entries": tip.length, "head": tip.digest}


def chain_tip(path: Path) -> Tip:
    """Verify the chain of a people's file, and return its end. Raises DamageError or sqlite3.Error."""
    return verified_chain(path).tip


def verified_chain(path: Path) -> ChainIndex:
    """The chain of a people's file, without regard to its head file. Raises DamageError or sqlite3.Error."""
    index = ChainIndex()
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        index.extend(connection.execute(f"SELECT {ENTRY_COLUMNS} FROM entries ORDER BY number"))
    return index


def newest_copy(out: Path) -> Path | None:
    """The newest copy that holds anything that people said, None if there is none."""
    copies = reversed(find_copies(copies_folder(out)))
    return next((copy.folder for copy in copies if copied_head(copy.folder)), None)


def copied_head(folder: Path) -> Tip | None:
    """The end of the chain when the copy was made; None if it holds no people's file, or an empty one."""
    try:
        document = read_description(folder)
        tip = Tip(int(document["entries"]), str(document["head"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return tip if tip.length else None


def copied_digests(folder: Path) -> dict[str, str]:
    """SHA-256 of the copied files by name, as it was when they were copied. Raises DamageError."""
    try:
        return dict(read_description(folder)["files"])
    except (OSError, ValueError) as error:
        raise DamageError(f"its description cannot be read ({error})") from error
