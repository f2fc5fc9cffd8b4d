"""The store as an SQLite file in the output folder: the usual kind, for one machine."""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager, closing
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event
from sqlalchemy.pool import StaticPool

from pipeline.store.database import Database
from pipeline.store.dated_copies import copies_folder, copy_databases
from pipeline.store.folder_lock import hold_folder_lock, is_folder_locked
from pipeline.store.network_drives import refuse_network_drive
from pipeline.store.schema import REVISIONS, SCHEMA_VERSION, StoreError
from pipeline.store.schema_versions import DATABASE_ERRORS, SchemaError, file_version, upgrade

__all__ = ["SqliteDatabase", "database_path", "find_sqlite_damage"]


def database_path(out: Path) -> Path:
    """The path of the file, whether it exists or not."""
    return out / "clutchlight.sqlite"


class SqliteDatabase(Database):
    """``clutchlight.sqlite`` of an output folder, in WAL mode."""

    errors = DATABASE_ERRORS

    def __init__(self, out: Path) -> None:
        self._out = out
        self.path = database_path(out)
        self.name = str(self.path)
        self.files = (self.path,)

    def version(self) -> int:
        with self.explained("read"), closing(_read_only(self.path)) as connection:
            return self._version(connection)

    def prepare(self) -> None:
        """Also copies a file of an earlier version to the dated copies first, and creates the folder."""
        try:
            self._out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{self._out}: this output folder cannot be created ({error.strerror}). Choose a writable folder with "
                "--out."
            ) from error
        refuse_network_drive(self._out)
        with self.explained("opened"), closing(sqlite3.connect(self.path, timeout=5.0, isolation_level=None)) as file:
            file.text_factory = _lenient_text
            version = self._version(file)
            if version == SCHEMA_VERSION:
                return
            self._check_upgrade(file, version)
            if version:
                copy_databases([self.path], copies_folder(self._out), "migration")
            upgrade(file, REVISIONS)

    def _version(self, connection: sqlite3.Connection) -> int:
        try:
            return file_version(connection)
        except SchemaError as error:
            raise StoreError(self._damage_message(f"is damaged: {error}")) from error

    def _check_upgrade(self, connection: sqlite3.Connection, version: int) -> None:
        """Raises StoreError for what must not be upgraded."""
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{self.path}: written by a newer version of Clutchlight (schema {version}; this version supports up "
                f"to {SCHEMA_VERSION}). Install the newer version, or choose another folder with --out."
            )
        if not version and connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            raise StoreError(
                f"{self.path}: this is the database of another program. Move it away, or choose another folder with "
                "--out."
            )
        has_outcomes = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'outcomes'").fetchone()
        if has_outcomes and connection.execute("SELECT 1 FROM outcomes").fetchone():
            raise StoreError(
                f"{self.path}: written by an earlier version of Clutchlight, with outcomes that people recorded. Run "
                f"clutchlight users --out {self._out} first: it moves them to a file of their own."
            )

    def connect(self, *, read_only: bool = False) -> Engine:
        # One connection, so that SQLite removes its extra files when it is closed.
        mode = {"mode": "ro", "uri": "true"} if read_only else {}
        engine = create_engine(
            URL.create("sqlite", database=self.path.absolute().as_uri() if read_only else self.name, query=mode),
            poolclass=StaticPool,
            connect_args={"timeout": 5.0, "check_same_thread": False},
        )

        @event.listens_for(engine, "connect")
        def _prepare(connection: sqlite3.Connection, _: Any) -> None:
            connection.isolation_level = None  # BEGIN is sent below; the driver would send it too late
            connection.text_factory = _lenient_text
            connection.create_function("casefold", 1, str.casefold, deterministic=True)
            for pragma in () if read_only else ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                connection.execute(f"PRAGMA {pragma}")

        @event.listens_for(engine, "begin")
        def _begin(connection: Any) -> None:
            writing = connection.get_execution_options().get("writing", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

        return engine

    def find_damage(self) -> list[str]:
        if not self.path.is_file() or self.path.stat().st_size == 0:
            return [f"{self.path}: missing or empty. Run the batch again: it reads all clips again."]
        return find_sqlite_damage(self.path)

    def give_back_space(self) -> None:
        with self.explained("written"), closing(sqlite3.connect(self.path)) as connection:
            connection.execute("VACUUM")

    def hold_lock(self) -> AbstractContextManager[None]:
        refuse_network_drive(self._out)
        return hold_folder_lock(self._out)

    def is_locked(self) -> bool:
        return is_folder_locked(self._out)

    def _damage_message(self, problem: str) -> str:
        return (
            f"{self.path}: the file {problem}. Move it away and run the same command again; all clips are then read "
            "again."
        )

    def error(self, action: str, error: BaseException | None) -> StoreError:
        return StoreError(self._message(action, error))

    def _message(self, action: str, error: BaseException | None) -> str:
        code = getattr(error, "sqlite_errorname", "")
        if code == "SQLITE_FULL":
            return (
                f"{self.path}: no space is left on the disk. Free some space and run the same command again: it "
                "continues."
            )
        if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
            return (
                f"{self.path}: this file or its folder is not writable. Change the permissions, or choose another "
                "folder with --out."
            )
        if code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")) or isinstance(error, UnicodeDecodeError):
            return self._damage_message("is damaged or is not a database")
        if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            return f"{self.path}: another program is using this database. Close it, then run the same command again."
        return f"{self.path}: could not be {action} ({error}). Check the disk, then run the same command again."


def find_sqlite_damage(path: Path) -> list[str]:
    """What SQLite itself finds wrong with a file, a sentence each."""
    try:
        with closing(_read_only(path)) as connection:
            found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(5)")]
            found += [f"a row of {row[0]} refers to nothing" for row in connection.execute("PRAGMA foreign_key_check")]
    except DATABASE_ERRORS as error:
        found = [str(error)]
    return [f"{path}: damaged: {one}." for one in found if one != "ok"]


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=30.0)


def _lenient_text(text: bytes) -> str:
    """Damaged text must not fail a query of many rows: the hash of its own row tells."""
    return text.decode("utf-8", "surrogateescape")
