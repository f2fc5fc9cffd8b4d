"""The database file itself: its tables, its version, and SQLite's complaints in words that say what to do."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, ForeignKey, UniqueConstraint, create_engine, event
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.pool import StaticPool

from models.errors import ClutchlightError

__all__ = [
    "SCHEMA_VERSION",
    "ExamRow",
    "OutcomeRow",
    "PictureRow",
    "RunRow",
    "ScanRow",
    "StoreError",
    "connect",
    "database_path",
    "ensure_schema",
    "error_message",
]

SCHEMA_VERSION = 2
"""Kept in the file as ``PRAGMA user_version``; raised when a table comes or changes its shape or meaning."""


class StoreError(ClutchlightError):
    """A database or output folder that cannot be used; the text names the path and what to do."""


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
    outcome: Mapped[str | None]  # None while it runs


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


class ExamRow(Table):
    __tablename__ = "exams"
    animal: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str] = mapped_column(primary_key=True)
    fingerprint: Mapped[str]
    document: Mapped[str]
    files: Mapped[str]  # JSON, a list of paths relative to the output folder
    run: Mapped[int] = mapped_column(ForeignKey("runs.identity"))


class OutcomeRow(Table):
    """Rows are only ever added; the last of an animal, kind and date holds."""

    __tablename__ = "outcomes"
    identity: Mapped[int] = mapped_column(primary_key=True)
    recorded: Mapped[str]  # UTC, ISO 8601
    animal: Mapped[str]
    kind: Mapped[str]
    date: Mapped[str]
    number: Mapped[int | None]
    who: Mapped[str | None]
    note: Mapped[str | None]
    withdrawn: Mapped[bool]


def database_path(out: Path) -> Path:
    """Where the database of an output folder lies, or will."""
    return out / "clutchlight.sqlite"


def connect(path: Path) -> Engine:
    # One connection for the store's whole life: SQLite then tidies its side files away when it is closed. It may pass
    # from thread to thread, as it does behind the vet's page, and is used by one at a time.
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        poolclass=StaticPool,
        connect_args={"timeout": 5.0, "check_same_thread": False},
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None  # SQLAlchemy says BEGIN below; the driver would begin too late
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def ensure_schema(engine: Engine, path: Path) -> None:
    """Make the tables that the file lacks; refuse a newer file and one that belongs to something else."""
    with engine.begin() as connection:
        version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
        if version == SCHEMA_VERSION:
            return
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{path}: written by a newer version of Clutchlight (schema {version}; this version knows "
                f"{SCHEMA_VERSION}). Install the newer version, or choose another folder with --out."
            )
        tables = int(connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one())
        if tables and not version:
            raise StoreError(
                f"{path}: a database, but not one of Clutchlight's. Move it away, or choose another folder with --out."
            )
        Table.metadata.create_all(connection)  # version 1 had no outcomes, and nothing else has changed since
        connection.exec_driver_sql(f"PRAGMA user_version = {SCHEMA_VERSION}")


def error_message(path: Path, done: str, error: BaseException | None) -> str:
    """SQLite's complaint in words that say what to do."""
    code = getattr(error, "sqlite_errorname", "")
    if code == "SQLITE_FULL":
        return f"{path}: no space left on this disk. Make room and run the same command again: it continues."
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return (
            f"{path}: this file or its folder cannot be written. Allow writing there, or choose another "
            "folder with --out."
        )
    if code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return (
            f"{path}: damaged, or no database at all. Move it away and run the same command again; all clips "
            "are then read anew."
        )
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{path}: another program is using this database. Close it, then run the same command again."
    return f"{path}: could not be {done} ({error}). Check the disk, then run the same command again."
