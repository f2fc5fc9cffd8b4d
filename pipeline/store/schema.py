"""The database file: its tables, its schema version, and SQLite's errors as messages that say what to do.

The tables are made and changed by ``revisions`` alone; a test compares them with what is declared here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from typing import Any, Self

from sqlalchemy import REAL, URL, Engine, ForeignKey, Index, UniqueConstraint, create_engine, event
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.pool import StaticPool
from sqlalchemy.types import UserDefinedType

from models.errors import ClutchlightError
from pipeline.store.dated_copies import copies_folder, copy_databases
from pipeline.store.row_hashes import row_sha256
from pipeline.store.schema_versions import SchemaError, file_version, upgrade

__all__ = [
    "SCHEMA_VERSION",
    "ExamRow",
    "PictureRow",
    "RefusalRow",
    "RunOutcome",
    "RunRow",
    "ScanRow",
    "StoreError",
    "Table",
    "connect",
    "database_path",
    "ensure_schema",
    "error_message",
]

SCHEMA_VERSION = 5
"""That of the newest of the revisions. A table that is added, or changes in form or meaning, needs another one."""
REVISIONS = Path(__file__).parent / "revisions"


class StoreError(ClutchlightError):
    """A database or output folder that cannot be used. The text names the path and says what to do."""


class RunOutcome(StrEnum):
    """How a run ended. The values are stored in the database."""

    DONE = "done"
    INTERRUPTED = "interrupted"
    KILLED = "killed"  # found without an end by the next run


class Blob(UserDefinedType[bytes]):
    """Bytes, passed on as they are: SQLAlchemy's own type fails where damage has made them text."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        return "BLOB"


class Table(DeclarativeBase):
    """sha256 : of everything else in the row (`pipeline.store.row_hashes`)"""

    sha256: Mapped[str] = mapped_column(sort_order=1, server_default="")

    def sealed(self) -> Self:
        """The row with its hash, ready to be stored."""
        self.sha256 = self._digest()
        return self

    @property
    def is_sound(self) -> bool:
        """Whether the row is as it was stored."""
        return self.sha256 == self._digest()

    @property
    def label(self) -> str:
        """What the row holds, in words."""
        keys = (str(getattr(self, column.name)) for column in self.__table__.columns if column.primary_key)
        return f"{self.__tablename__[:-1]} {', '.join(keys)}"

    def _digest(self) -> str:
        row = {column.name: getattr(self, column.name) for column in self.__table__.columns}
        return row_sha256(self.__tablename__, row, self._parts())

    def _parts(self) -> Sequence[str]:
        return ()


class RunRow(Table):
    __tablename__ = "runs"
    identity: Mapped[int] = mapped_column(primary_key=True)
    started: Mapped[str]  # UTC, ISO 8601
    ended: Mapped[str | None]
    settings_sha256: Mapped[str]
    model_sha256: Mapped[str]
    engine: Mapped[str]
    outcome: Mapped[str | None]  # a RunOutcome; None while it runs


class ScanRow(Table):
    __tablename__ = "scans"
    __table_args__ = (UniqueConstraint("clip_sha256", "model_sha256", "settings_sha256", "engine"),)
    identity: Mapped[int] = mapped_column(primary_key=True)
    clip_sha256: Mapped[str]
    model_sha256: Mapped[str]
    settings_sha256: Mapped[str]
    engine: Mapped[str]
    archive: Mapped[bytes] = mapped_column(Blob)
    pictures: Mapped[list[PictureRow]] = relationship(
        order_by="PictureRow.track", cascade="all, delete-orphan", lazy="selectin"
    )

    @property
    def is_sound(self) -> bool:
        return super().is_sound and all(picture.is_sound for picture in self.pictures)

    @property
    def label(self) -> str:
        return f"scan of the recording {self.clip_sha256}"

    def _parts(self) -> Sequence[str]:
        return [picture.sha256 for picture in self.pictures]


class PictureRow(Table):
    __tablename__ = "pictures"
    scan: Mapped[int] = mapped_column(ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True)
    track: Mapped[int] = mapped_column(primary_key=True)
    frame: Mapped[int]
    ellipse: Mapped[str]  # JSON, five numbers, px
    jpeg: Mapped[bytes] = mapped_column(Blob)


class RefusalRow(Table):
    """A recording that killed or outlasted the process that read it."""

    __tablename__ = "refusals"
    clip_sha256: Mapped[str] = mapped_column(primary_key=True)
    recorded: Mapped[str]  # UTC, ISO 8601
    reason: Mapped[str]


class ExamRow(Table):
    __tablename__ = "exams"
    # The second holds all that a list needs, so that the documents, which are large, are not read.
    __table_args__ = (
        Index("exams_by_date", "date", "animal", "fingerprint"),
        Index("exams_listed", "urgency", "error_probability", "folder", "animal", "date", "species", "severities"),
        Index("exams_by_folder", "folder"),
    )
    animal: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str] = mapped_column(primary_key=True)
    fingerprint: Mapped[str]
    document: Mapped[str]
    files: Mapped[str]  # JSON, a list of paths relative to the output folder
    run: Mapped[int] = mapped_column(ForeignKey("runs.identity"))
    folder: Mapped[str] = mapped_column(sort_order=2, server_default="")  # this and the next: `ExamListing`
    species: Mapped[str] = mapped_column(sort_order=2, server_default="")
    urgency: Mapped[int] = mapped_column(sort_order=2, server_default="0")
    error_probability: Mapped[float] = mapped_column(REAL, sort_order=2, server_default="0")
    severities: Mapped[str] = mapped_column(sort_order=2, server_default="")
    run_row: Mapped[RunRow | None] = relationship(lazy="joined", viewonly=True)

    @property
    def is_sound(self) -> bool:
        return super().is_sound and self.run_row is not None and self.run_row.is_sound


def database_path(out: Path) -> Path:
    """The path of an output folder's database, whether it exists or not."""
    return out / "clutchlight.sqlite"


def connect(path: Path, *, read_only: bool = False) -> Engine:
    # One connection as long as the store is open, so that SQLite removes its extra files when it is closed. Threads may
    # share it, as those of the review server do, but only one of them uses it at a time.
    mode = {"mode": "ro", "uri": "true"} if read_only else {}
    engine = create_engine(
        URL.create("sqlite", database=path.absolute().as_uri() if read_only else str(path), query=mode),
        poolclass=StaticPool,
        connect_args={"timeout": 5.0, "check_same_thread": False},
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None  # BEGIN is sent below; the driver would send it too late
        connection.text_factory = _lenient_text
        # SQLite's own functions know the case of ASCII letters only.
        connection.create_function("casefold", 1, str.casefold, deterministic=True)
        for pragma in () if read_only else ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _lenient_text(text: bytes) -> str:
    """Damaged text must not fail a query of many rows: the hash of its own row tells."""
    return text.decode("utf-8", "surrogateescape")


def ensure_schema(path: Path) -> None:
    """Make the tables of a new file; bring an earlier version's file to this one, after a dated copy.

    Raises StoreError for a file of a newer version, for the database of another program, and for outcomes that must be
    moved first; CopyError; sqlite3.Error.
    """
    with closing(sqlite3.connect(path, timeout=5.0, isolation_level=None)) as connection:
        connection.text_factory = _lenient_text
        try:
            version = file_version(connection)
        except SchemaError as error:
            raise StoreError(_damage_message(path, f"is damaged: {error}")) from error
        if version == SCHEMA_VERSION:
            return
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{path}: written by a newer version of Clutchlight (schema {version}; this version supports up to "
                f"{SCHEMA_VERSION}). Install the newer version, or choose another folder with --out."
            )
        if not version and connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            raise StoreError(
                f"{path}: this is the database of another program. Move it away, or choose another folder with --out."
            )
        has_outcomes = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'outcomes'").fetchone()
        if has_outcomes and connection.execute("SELECT 1 FROM outcomes").fetchone():
            raise StoreError(
                f"{path}: written by an earlier version of Clutchlight, with outcomes that people recorded. Run "
                f"clutchlight users --out {path.parent} first: it moves them to a file of their own."
            )
        if version:
            copy_databases([path], copies_folder(path.parent), "migration")
        upgrade(connection, REVISIONS)


def _damage_message(path: Path, problem: str) -> str:
    return f"{path}: the file {problem}. Move it away and run the same command again; all clips are then read again."


def error_message(path: Path, action: str, error: BaseException | None) -> str:
    """What went wrong and what to do. action : what was tried, like "opened"; error : from SQLite"""
    code = getattr(error, "sqlite_errorname", "")
    if code == "SQLITE_FULL":
        return f"{path}: no space is left on the disk. Free some space and run the same command again: it continues."
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return (
            f"{path}: this file or its folder is not writable. Change the permissions, or choose another "
            "folder with --out."
        )
    if code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")) or isinstance(error, UnicodeDecodeError):
        return _damage_message(path, "is damaged or is not a database")
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{path}: another program is using this database. Close it, then run the same command again."
    return f"{path}: could not be {action} ({error}). Check the disk, then run the same command again."
