"""The database file: its tables, its schema version, and SQLite's errors as messages that say what to do."""

from __future__ import annotations

import sqlite3
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, ForeignKey, UniqueConstraint, create_engine, event
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.pool import StaticPool

from models.errors import ClutchlightError

__all__ = [
    "SCHEMA_VERSION",
    "ExamRow",
    "PictureRow",
    "RefusalRow",
    "RunOutcome",
    "RunRow",
    "ScanRow",
    "StoreError",
    "connect",
    "database_path",
    "ensure_schema",
    "error_message",
]

SCHEMA_VERSION = 3
"""Stored in the file as ``PRAGMA user_version``. Raise it when a table is added, or changes in form or meaning."""


class StoreError(ClutchlightError):
    """A database or output folder that cannot be used. The text names the path and says what to do."""


class RunOutcome(StrEnum):
    """How a run ended. The values are stored in the database."""

    DONE = "done"
    INTERRUPTED = "interrupted"
    KILLED = "killed"  # found without an end by the next run


class Table(DeclarativeBase):
    pass


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
    archive: Mapped[bytes]
    pictures: Mapped[list[PictureRow]] = relationship(
        order_by="PictureRow.track", cascade="all, delete-orphan", lazy="selectin"
    )


class PictureRow(Table):
    __tablename__ = "pictures"
    scan: Mapped[int] = mapped_column(ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True)
    track: Mapped[int] = mapped_column(primary_key=True)
    frame: Mapped[int]
    ellipse: Mapped[str]  # JSON, five numbers, px
    jpeg: Mapped[bytes]


class RefusalRow(Table):
    """A recording that killed or outlasted the process that read it."""

    __tablename__ = "refusals"
    clip_sha256: Mapped[str] = mapped_column(primary_key=True)
    recorded: Mapped[str]  # UTC, ISO 8601
    reason: Mapped[str]


class ExamRow(Table):
    __tablename__ = "exams"
    animal: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str] = mapped_column(primary_key=True)
    fingerprint: Mapped[str]
    document: Mapped[str]
    files: Mapped[str]  # JSON, a list of paths relative to the output folder
    run: Mapped[int] = mapped_column(ForeignKey("runs.identity"))


def database_path(out: Path) -> Path:
    """The path of an output folder's database, whether it exists or not."""
    return out / "clutchlight.sqlite"


def connect(path: Path) -> Engine:
    # One connection as long as the store is open, so that SQLite removes its extra files when it is closed. Threads may
    # share it, as those of the review server do, but only one of them uses it at a time.
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        poolclass=StaticPool,
        connect_args={"timeout": 5.0, "check_same_thread": False},
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None  # BEGIN is sent below; the driver would send it too late
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def ensure_schema(engine: Engine, path: Path) -> None:
    """Create missing tables. Refuse a file of a newer version, and the database of another program.

    Raises StoreError.
    """
    with engine.begin() as connection:
        version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
        if version == SCHEMA_VERSION:
            return
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{path}: written by a newer version of Clutchlight (schema {version}; this version supports up to "
                f"{SCHEMA_VERSION}). Install the newer version, or choose another folder with --out."
            )
        tables = int(connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one())
        if tables and not version:
            raise StoreError(
                f"{path}: this is the database of another program. Move it away, or choose another folder with --out."
            )
        has_outcomes = connection.exec_driver_sql("SELECT 1 FROM sqlite_master WHERE name = 'outcomes'").first()
        if has_outcomes and connection.exec_driver_sql("SELECT 1 FROM outcomes").first():
            raise StoreError(
                f"{path}: written by an earlier version of Clutchlight, with outcomes that people recorded. Run "
                f"clutchlight users --out {path.parent} first: it moves them to a file of their own."
            )
        # Version 2 had a table of outcomes, which moved to the people's file; nothing else has changed.
        connection.exec_driver_sql("DROP TABLE IF EXISTS outcomes")
        Table.metadata.create_all(connection)
        connection.exec_driver_sql(f"PRAGMA user_version = {SCHEMA_VERSION}")


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
    if code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return (
            f"{path}: the file is damaged or is not a database. Move it away and run the same command again; all "
            "clips are then read again."
        )
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{path}: another program is using this database. Close it, then run the same command again."
    return f"{path}: could not be {action} ({error}). Check the disk, then run the same command again."
