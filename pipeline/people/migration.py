"""Files of earlier versions: answers and users in ``reviews.sqlite``, outcomes in the batch's store.

Both are copied first. Then the people's file is written as a whole and renamed, so it exists only when it is complete,
and only then is the old form removed. A migration that is killed begins again, or is finished at the next start.
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

from pipeline.people.chain import EMPTY_CHAIN, DamageError, Entry, canonical_json, next_entry
from pipeline.people.dated_copies import copies_folder, copy_files
from pipeline.people.head_file import HeadFile
from pipeline.people.schema import create_database, people_path
from pipeline.store.schema import database_path

__all__ = ["has_old_form", "has_old_reviews", "migrate_old_form", "remove_old_form"]

OLD_REVIEWS_VERSION, FIRST_STORE_WITHOUT_OUTCOMES = 1, 3
Draft = tuple[str, str, str, dict[str, Any]]  # kind, animal, date, content


def has_old_form(out: Path) -> bool:
    """Whether an earlier version left anything to migrate."""
    return has_old_reviews(out) or _old_store(out) is not None


def has_old_reviews(out: Path) -> bool:
    """Whether an earlier version left answers and users."""
    reviews = _reviews_path(out)
    return reviews.exists() and reviews.stat().st_size > 0


def migrate_old_form(out: Path, head: HeadFile) -> None:
    """Write the people's file from the old form, after copying that, and remove the old form.

    Raises DamageError if the old form cannot be read, OSError or sqlite3.Error.
    """
    reviews, store = _reviews_path(out), _old_store(out)
    sources = [*([reviews] if has_old_reviews(out) else []), *([store] if store else [])]
    copy = copy_files(sources, copies_folder(out), "migration")
    credentials: list[tuple[str, str]] = []
    drafts: list[Draft] = []
    if has_old_reviews(out):
        with closing(_read_only(copy.folder / reviews.name)) as old:
            drafts += _old_reviews(old, credentials)
    if store is not None:
        with closing(_read_only(copy.folder / store.name)) as old:
            drafts += _old_outcomes(old)
    drafts.append(("migration", "", "", {"entries": len(drafts)}))
    head.write(EMPTY_CHAIN)
    entries = _chained(drafts)
    create_database(people_path(out), entries, credentials)
    head.write(entries[-1].tip)
    remove_old_form(out)


def remove_old_form(out: Path) -> None:
    """Remove what the people's file holds by now. It was copied before. Raises sqlite3.Error or OSError."""
    reviews = _reviews_path(out)
    for path in (reviews.with_name(f"{reviews.name}-wal"), reviews.with_name(f"{reviews.name}-shm"), reviews):
        path.unlink(missing_ok=True)
    store = _old_store(out)
    if store is not None:
        with closing(sqlite3.connect(store, timeout=30.0)) as connection, connection:
            connection.execute("DROP TABLE outcomes")


def _reviews_path(out: Path) -> Path:
    return out / "reviews.sqlite"


def _old_store(out: Path) -> Path | None:
    """The batch's store if it has a table of outcomes."""
    path = database_path(out)
    if not path.is_file() or path.stat().st_size == 0:
        return None
    try:
        with closing(_read_only(path)) as connection:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if not 0 < version < FIRST_STORE_WITHOUT_OUTCOMES:
                return None
            query = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'outcomes'"
            return path if connection.execute(query).fetchone()[0] else None
    except sqlite3.Error as error:
        if people_path(path.parent).exists():
            return None  # whoever opens the store says what is wrong with it
        raise DamageError(
            f"cannot be made, since {path.name} may hold outcomes and cannot be read ({error})"
        ) from error


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


def _old_reviews(old: sqlite3.Connection, credentials: list[tuple[str, str]]) -> Iterator[Draft]:
    """The users, snapshots and answers of an old file. Each answer names the entry of its snapshot."""
    version = int(old.execute("PRAGMA user_version").fetchone()[0])
    if version != OLD_REVIEWS_VERSION:
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
    """The drafts as one chain. Their time is that of the migration; what the old file stated is in their content."""
    now, tip, entries = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"), EMPTY_CHAIN, []
    for kind, animal, date, content in drafts:
        entries.append(next_entry(tip, now, kind, animal, date, canonical_json(content)))
        tip = entries[-1].tip
    return entries
