"""The people's file: an SQLite database with the chain of entries, and the passwords' hashes.

Its tables are made and changed by ``revisions`` alone (`pipeline.store.schema_versions`).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

from models.atomic_write import partial_file
from pipeline.people.chain import DamageError, Entry
from pipeline.store.network_drives import journal_mode
from pipeline.store.schema_versions import VERSION_TABLE, SchemaError, file_version, upgrade

__all__ = [
    "APPLICATION_ID",
    "ENTRY_COLUMNS",
    "PRIVATE",
    "SCHEMA",
    "check_schema",
    "connect",
    "create_database",
    "is_outdated",
    "people_path",
    "upgrade_database",
]

SCHEMA_VERSION = 2
"""That of the newest of the revisions."""
REVISIONS = Path(__file__).parent / "revisions"
APPLICATION_ID = 0x43_4C_50_50  # "CLPP" in ASCII; own choice
LOCK_TIMEOUT_S = 30.0  # wait for other writers; each takes milliseconds
PRIVATE = 0o600

# No index: an index is a second copy of what it holds, which may disagree with the chain.
SCHEMA = (
    "CREATE TABLE entries (number INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, animal TEXT NOT NULL, "
    "date TEXT NOT NULL, body TEXT NOT NULL, hash TEXT NOT NULL) STRICT",
    "CREATE TABLE credentials (name TEXT PRIMARY KEY, password TEXT NOT NULL) STRICT, WITHOUT ROWID",
    "CREATE TRIGGER entries_stay BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'entries are only added'); END",
    "CREATE TRIGGER entries_remain BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'entries are only added'); END",
)
ENTRY_COLUMNS = "number, at, kind, animal, date, body, hash"


def people_path(out: Path) -> Path:
    """The people's file of an output folder, whether it exists or not."""
    return out / "people.sqlite"


def connect(path: Path) -> sqlite3.Connection:
    """Raises sqlite3.Error; a missing file is an error too."""
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=LOCK_TIMEOUT_S, isolation_level=None,
        check_same_thread=False,
    )  # fmt: skip
    try:
        connection.execute("PRAGMA synchronous=FULL")
        mode = journal_mode(path)
        (present,) = connection.execute(f"PRAGMA journal_mode={mode}").fetchone()
        if present != mode.lower():
            raise sqlite3.OperationalError(f"its journal mode is {present}, and must be {mode} on this drive")
    except BaseException:
        connection.close()
        raise
    return connection


def create_database(path: Path, entries: Iterable[Entry], credentials: Iterable[tuple[str, str]]) -> None:
    """Write a new database in one step, readable by its owner only. Raises OSError or sqlite3.Error."""
    with partial_file(path) as part:
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE))
        with closing(sqlite3.connect(part, isolation_level=None)) as connection:
            upgrade(connection, REVISIONS)
            connection.execute("BEGIN")
            connection.executemany(
                f"INSERT INTO entries ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)", map(_row, entries)
            )
            connection.executemany("INSERT INTO credentials VALUES (?, ?)", credentials)
            connection.execute("COMMIT")


def is_outdated(path: Path) -> bool:
    """Whether a sound file is of an earlier version. Raises DamageError or sqlite3.Error."""
    with closing(connect(path)) as connection:
        return check_schema(connection) < SCHEMA_VERSION


def upgrade_database(path: Path) -> None:
    """Bring a file of an earlier version to this one in one transaction. Copy it before. Raises sqlite3.Error."""
    with closing(connect(path)) as connection:
        upgrade(connection, REVISIONS)


def check_schema(connection: sqlite3.Connection) -> int:
    """The version of the file.

    Raises DamageError if it is a newer one, or if the file has other tables or triggers than that version makes.
    """
    try:
        version = file_version(connection)
    except SchemaError as error:
        raise DamageError(str(error)) from error
    if version > SCHEMA_VERSION:
        raise DamageError(
            f"written by a newer version of Clutchlight (schema {version}; this version supports {SCHEMA_VERSION}); "
            "install that version"
        )
    application = int(connection.execute("PRAGMA application_id").fetchone()[0])
    found = sorted(connection.execute("SELECT type, name, sql FROM sqlite_master"))
    statements = SCHEMA if version == 1 else (*SCHEMA, VERSION_TABLE)
    made = sorted((*_type_and_name(statement), statement) for statement in statements)
    if not version or application != APPLICATION_ID or found != made:
        raise DamageError("its tables or triggers have been changed")
    return version


def _type_and_name(statement: str) -> tuple[str, str]:
    """("table", "entries") for CREATE TABLE entries ..."""
    _, kind, name, _ = statement.split(" ", 3)
    return kind.lower(), name


def _row(entry: Entry) -> Sequence[object]:
    return entry.number, entry.at, entry.kind, entry.animal, entry.date, entry.body, entry.digest
