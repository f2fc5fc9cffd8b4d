"""What earlier versions kept elsewhere: answers and users in ``reviews.sqlite``, outcomes in the batch's store.

Both files are copied first. Then the people's file is written as a whole and renamed, so it exists only when it is
complete, and only then is what it holds removed from them. A move that is killed begins again, or is finished at the
next start. The tables of either database are changed by its ``revisions`` alone.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from pipeline.people.chain import EMPTY_CHAIN, DamageError, Entry, Tip, canonical_json, next_entry
from pipeline.people.dated_copies import copy_files
from pipeline.people.head_file import HeadFile
from pipeline.people.schema import create_database, people_path
from pipeline.store.dated_copies import copies_folder
from pipeline.store.schema_versions import DATABASE_ERRORS
from pipeline.store.sqlite_database import database_path

__all__ = [
    "create_from_earlier_files",
    "find_earlier_files",
    "has_earlier_reviews",
    "move_from_earlier_files",
    "remove_moved",
]

REVIEWS_VERSION = 1  # the only one that there was
Draft = tuple[str, str, str, dict[str, Any]]  # kind, animal, date, content


def find_earlier_files(out: Path) -> list[Path]:
    """The files in which an earlier version left something to move. Raises DamageError."""
    reviews, store = reviews_path(out), database_path(out)
    return [*([reviews] if has_earlier_reviews(out) else []), *([store] if has_outcomes(store) else [])]


def has_earlier_reviews(out: Path) -> bool:
    """Whether an earlier version left answers and users."""
    reviews = reviews_path(out)
    return reviews.exists() and reviews.stat().st_size > 0


def move_from_earlier_files(out: Path, head: HeadFile) -> None:
    """Write the people's file from the earlier ones, after copying those, and remove from them what it holds.

    Raises DamageError if they cannot be read, CopyError, OSError or sqlite3.Error.
    """
    copy = copy_files(find_earlier_files(out), copies_folder(out), "migration")
    head.write(EMPTY_CHAIN)
    head.write(create_from_earlier_files(copy.folder, people_path(out)))
    remove_moved(out)


def create_from_earlier_files(folder: Path, target: Path) -> Tip:
    """Write a people's file from a copy of the earlier ones, and return the end of its chain.

    Raises DamageError if they cannot be read, OSError or sqlite3.Error.
    """
    credentials: list[tuple[str, str]] = []
    drafts: list[Draft] = []
    if has_earlier_reviews(folder):
        with closing(_read_only(reviews_path(folder))) as old:
            drafts += _old_reviews(old, credentials)
    if has_outcomes(database_path(folder)):
        with closing(_read_only(database_path(folder))) as old:
            drafts += _old_outcomes(old)
    drafts.append(("migration", "", "", {"entries": len(drafts)}))
    entries = _chained(drafts)
    create_database(target, entries, credentials)
    return entries[-1].tip


def remove_moved(out: Path) -> None:
    """Remove what the people's file holds by now. It was copied before. Raises sqlite3.Error or OSError."""
    reviews, store = reviews_path(out), database_path(out)
    for path in (reviews.with_name(f"{reviews.name}-wal"), reviews.with_name(f"{reviews.name}-shm"), reviews):
        path.unlink(missing_ok=True)
    if has_outcomes(store):
        with closing(sqlite3.connect(store, timeout=30.0)) as connection, connection:
            connection.execute("DELETE FROM outcomes")


def reviews_path(out: Path) -> Path:
    return out / "reviews.sqlite"


def has_outcomes(store: Path) -> bool:
    """Whether a store of an earlier version holds outcomes. Raises DamageError if nobody can say."""
    if not store.is_file() or store.stat().st_size == 0:
        return False
    try:
        with closing(_read_only(store)) as connection:
            table = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'outcomes'")
            return bool(table.fetchone() and connection.execute("SELECT 1 FROM outcomes").fetchone())
    except DATABASE_ERRORS as error:
        if people_path(store.parent).exists():
            return False  # whoever opens the store says what is wrong with it
        raise DamageError(
            f"cannot be made, since {store.name} may hold outcomes and cannot be read ({error})"
        ) from error


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


def _old_reviews(old: sqlite3.Connection, credentials: list[tuple[str, str]]) -> Iterator[Draft]:
    """The users, snapshots and answers of an old file. Each answer names the entry of its snapshot."""
    version = int(old.execute("PRAGMA user_version").fetchone()[0])
    if version != REVIEWS_VERSION:
        raise DamageError(f"cannot be made, since reviews.sqlite has the unknown schema {version}")
    number = 0
    for name, role, permission, password in old.execute("SELECT name, role, may, password FROM people ORDER BY name"):
        credentials.append((name, password))
        number += 1
        digest = hashlib.sha256(password.encode()).hexdigest()
        yield "account", "", "", {"name": name, "role": role, "permission": permission, "credential": digest}
    snapshots: dict[int, int] = {}
    for identity, animal, date, fingerprint, document in old.execute(
        "SELECT identity, animal, date, fingerprint, document FROM censuses ORDER BY identity"
    ):
        number += 1
        snapshots[identity] = number
        yield "snapshot", animal, date, {"fingerprint": fingerprint, "document": document}
    for animal, date, sequence, at, person, request, census, answer, before, after in old.execute(
        "SELECT animal, date, sequence, at, person, request, census, answer, before, after FROM events "
        "ORDER BY identity"
    ):
        content = {
            "at": at, "sequence": sequence, "person": person, "request": request, "snapshot": snapshots[census],
            "answer": json.loads(answer), "before": json.loads(before), "after": json.loads(after),
        }  # fmt: skip
        yield "answer", animal, date, content


def _old_outcomes(old: sqlite3.Connection) -> Iterator[Draft]:
    for recorded, animal, kind, date, number, who, note, withdrawn in old.execute(
        "SELECT recorded, animal, kind, date, number, who, note, withdrawn FROM outcomes ORDER BY identity"
    ):
        content = {
            "at": recorded,
            "kind": kind,
            "number": number,
            "who": who,
            "note": note,
            "withdrawn": bool(withdrawn),
        }
        yield "outcome", animal, date, content


def _chained(drafts: list[Draft]) -> list[Entry]:
    """The drafts as one chain. Their time is that of the move; what the old file stated is in their content."""
    now, tip, entries = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"), EMPTY_CHAIN, []
    for kind, animal, date, content in drafts:
        entries.append(next_entry(tip, now, kind, animal, date, canonical_json(content)))
        tip = entries[-1].tip
    return entries
