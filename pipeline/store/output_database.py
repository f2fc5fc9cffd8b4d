"""Which database holds the store of an output folder: SQLite's file, or a PostgreSQL database that the folder names.

The settings say it once, for a new folder. From then on the folder itself does (``database.json``), so that every
command finds the same store, also one without settings.
"""

from __future__ import annotations

import json
import re
import uuid
from pathlib import Path

from pipeline.store.atomic_write import OutputError, write_atomically
from pipeline.store.database import Database
from pipeline.store.postgresql_database import PostgresqlDatabase, database_note
from pipeline.store.schema import StoreError
from pipeline.store.server_address import read_address
from pipeline.store.sqlite_database import SqliteDatabase, database_path

__all__ = ["chosen_database", "database_of", "has_store", "note_database"]


def pointer_path(out: Path) -> Path:
    return out / "database.json"


def has_store(out: Path) -> bool:
    """Whether a batch has worked in this folder. No server is asked."""
    return database_path(out).exists() or pointer_path(out).exists()


def database_of(out: Path) -> Database:
    """The database of an output folder; for a new one, SQLite's. Raises StoreError."""
    path = pointer_path(out)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        url, identity = str(document["database"]), str(document["identity"])
    except (FileNotFoundError, NotADirectoryError):
        return SqliteDatabase(out)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{path}: cannot be read ({error}). It says where the store is; put it back.") from error
    if re.fullmatch("[0-9a-f]{32}", identity) is None:
        raise StoreError(f"{path}: its identity is not one that Clutchlight made. Put the file back as it was.")
    return PostgresqlDatabase(path, read_address(url), identity)


def chosen_database(out: Path, url: str) -> Database:
    """The same, or for a new folder the one that the settings name. url : "" for none. Raises StoreError."""
    present = database_of(out)
    if not url:
        return present
    if isinstance(present, PostgresqlDatabase):
        if present.address != read_address(url):
            raise StoreError(
                f"{out}: its store is in {present.name}, and the settings name {url}. Choose another folder with "
                f"--out; or, if that database was moved to another server, change {present.path.name} in the folder."
            )
        return present
    if present.path.exists():
        raise StoreError(
            f"{out}: its store is {present.path.name}, and the settings name {url}. Choose another folder with --out, "
            "or move that file away: all clips are then read again."
        )
    return PostgresqlDatabase(pointer_path(out), read_address(url), uuid.uuid4().hex)


def note_database(out: Path, database: Database) -> None:
    """Write down where the store of a new folder is. Call it while holding the database's lock. Raises StoreError."""
    if not isinstance(database, PostgresqlDatabase) or database.path.exists():
        return
    database.check_usable()
    try:
        write_atomically(database.path, [database_note(database.address, database.identity).encode()])
    except OutputError as error:
        raise StoreError(str(error)) from error
