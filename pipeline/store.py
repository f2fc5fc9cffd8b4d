"""What is known, kept: runs, finished clips and the exams' last results, in one SQLite file.

A clip's scan is kept under what decides it: the recording's bytes, the network, the settings and the engine.
Every write is one transaction, so a run that is killed leaves a clip finished or absent, never in between.
Only a run that holds the output folder's lock (`pipeline.lock`) may write.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import URL, Engine, ForeignKey, UniqueConstraint, create_engine, delete, event, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column, relationship
from sqlalchemy.pool import StaticPool

from models.errors import ClutchlightError

__all__ = ["SCHEMA_VERSION", "ScanKey", "Store", "StoreError", "StoredExam", "StoredPicture", "StoredScan"]

SCHEMA_VERSION = 1
"""Kept in the file as ``PRAGMA user_version``; raised when a table changes its shape or meaning."""

FILE_NAME = "clutchlight.sqlite"


class StoreError(ClutchlightError):
    """A database or output folder that cannot be used; the text names the path and what to do."""


@dataclass(frozen=True)
class ScanKey:
    """What decides a scan: the same four always give the same scan.

    clip_sha256 : of the recording's bytes;  model_sha256, settings_sha256 : of the network and the settings
    engine : the inference engine's name, since engines agree only within tolerances
    """

    clip_sha256: str
    model_sha256: str
    settings_sha256: str
    engine: str


@dataclass(frozen=True)
class StoredPicture:
    """The picture of one track. ellipse : [cx, cy, semi-major, semi-minor, degrees] in px of the picture."""

    track: int
    frame: int
    ellipse: tuple[float, float, float, float, float]
    jpeg: bytes


@dataclass(frozen=True)
class StoredScan:
    """archive : a scan packed by `pipeline.archive`;  pictures : in the order of their tracks."""

    archive: bytes
    pictures: tuple[StoredPicture, ...]


@dataclass(frozen=True)
class StoredExam:
    """The last result of one exam.

    date : ISO 8601;  fingerprint : sha256 of everything the result follows from
    document : ``result.json`` as text;  files : what was written for it, relative to the output folder
    """

    animal: str
    date: str
    fingerprint: str
    document: str
    files: tuple[str, ...]


class _Table(DeclarativeBase):
    pass


class _Run(_Table):
    __tablename__ = "runs"
    identity: Mapped[int] = mapped_column(primary_key=True)
    started: Mapped[str]  # UTC, ISO 8601
    ended: Mapped[str | None]
    settings_sha256: Mapped[str]
    model_sha256: Mapped[str]
    engine: Mapped[str]
    outcome: Mapped[str | None]  # None while it runs


class _Scan(_Table):
    __tablename__ = "scans"
    __table_args__ = (UniqueConstraint("clip_sha256", "model_sha256", "settings_sha256", "engine"),)
    identity: Mapped[int] = mapped_column(primary_key=True)
    clip_sha256: Mapped[str]
    model_sha256: Mapped[str]
    settings_sha256: Mapped[str]
    engine: Mapped[str]
    archive: Mapped[bytes]
    pictures: Mapped[list[_Picture]] = relationship(
        order_by="_Picture.track", cascade="all, delete-orphan", lazy="selectin"
    )


class _Picture(_Table):
    __tablename__ = "pictures"
    scan: Mapped[int] = mapped_column(ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True)
    track: Mapped[int] = mapped_column(primary_key=True)
    frame: Mapped[int]
    ellipse: Mapped[str]  # JSON, five numbers, px
    jpeg: Mapped[bytes]


class _Exam(_Table):
    __tablename__ = "exams"
    animal: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str] = mapped_column(primary_key=True)
    fingerprint: Mapped[str]
    document: Mapped[str]
    files: Mapped[str]  # JSON, a list of paths relative to the output folder
    run: Mapped[int] = mapped_column(ForeignKey("runs.identity"))


class Store:
    """The database of one output folder. Use as a context manager, or call `close`.

    Every method raises `StoreError` where the file cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        """Open ``out/clutchlight.sqlite``, made new (with its folder) where there is none."""
        self.path = out / FILE_NAME
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{out}: this output folder cannot be made ({error.strerror}). Choose a folder that can be "
                "written with --out."
            ) from error
        self._engine = _connect(self.path)
        self._writer = self._engine.execution_options(writing=True)
        try:
            with self._explained("opened"):
                _settle_schema(self._writer, self.path)
        except BaseException:
            self._engine.dispose()
            raise

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        self._engine.dispose()

    def start_run(self, *, settings_sha256: str, model_sha256: str, engine: str) -> int:
        """The number of a new run. Runs without an end were killed, since only one run can hold the lock."""
        with self._writing() as session:
            session.execute(update(_Run).where(_Run.ended.is_(None)).values(outcome="killed", ended=_now()))
            run = _Run(
                started=_now(), settings_sha256=settings_sha256, model_sha256=model_sha256, engine=engine
            )
            session.add(run)
            session.flush()
            return run.identity

    def finish_run(self, run: int, outcome: str) -> None:
        with self._writing() as session:
            session.execute(update(_Run).where(_Run.identity == run).values(outcome=outcome, ended=_now()))

    def scan(self, key: ScanKey) -> StoredScan | None:
        """The scan kept under this key, None where this clip is still to be read."""
        with self._reading() as session:
            row = session.scalar(select(_Scan).where(*_is(key)))
            if row is None:
                return None
            pictures = tuple(
                StoredPicture(each.track, each.frame, tuple(json.loads(each.ellipse)), each.jpeg)
                for each in row.pictures
            )
            return StoredScan(row.archive, pictures)

    def save_scan(self, key: ScanKey, scan: StoredScan) -> None:
        """Keep a finished clip with its pictures, all or nothing, in place of what this key held."""
        with self._writing() as session:
            session.execute(delete(_Scan).where(*_is(key)))
            session.add(
                _Scan(
                    clip_sha256=key.clip_sha256,
                    model_sha256=key.model_sha256,
                    settings_sha256=key.settings_sha256,
                    engine=key.engine,
                    archive=scan.archive,
                    pictures=[
                        _Picture(
                            track=each.track,
                            frame=each.frame,
                            ellipse=json.dumps(each.ellipse),
                            jpeg=each.jpeg,
                        )
                        for each in scan.pictures
                    ],
                )
            )

    def exam(self, animal: str, date: str) -> StoredExam | None:
        with self._reading() as session:
            row = session.get(_Exam, (animal, date))
            return None if row is None else _stored(row)

    def exams(self) -> Sequence[StoredExam]:
        """Every exam of this and earlier nights, by animal and date."""
        with self._reading() as session:
            rows = session.scalars(select(_Exam).order_by(_Exam.animal, _Exam.date))
            return [_stored(row) for row in rows]

    def save_exam(self, exam: StoredExam, run: int) -> None:
        """Keep the result of an exam in place of its last one. Call it after the exam's files are written."""
        with self._writing() as session:
            session.merge(
                _Exam(
                    animal=exam.animal,
                    date=exam.date,
                    fingerprint=exam.fingerprint,
                    document=exam.document,
                    files=json.dumps(exam.files),
                    run=run,
                )
            )

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        with self._explained("read"), Session(self._engine) as session:
            yield session

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        with self._explained("written"), Session(self._writer) as session, session.begin():
            yield session

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise StoreError(_explanation(self.path, done, error.orig)) from error
        except sqlite3.Error as error:  # from the pragmas of a new connection
            raise StoreError(_explanation(self.path, done, error)) from error


def _connect(path: Path) -> Engine:
    # One connection for the store's whole life: SQLite then tidies its side files away when it is closed.
    engine = create_engine(
        URL.create("sqlite", database=str(path)), poolclass=StaticPool, connect_args={"timeout": 5.0}
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


def _settle_schema(engine: Engine, path: Path) -> None:
    """Make the tables of a new file; refuse a newer file and one that belongs to something else."""
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
        if tables:
            raise StoreError(
                f"{path}: a database, but not one of Clutchlight's. Move it away, or choose another folder "
                "with --out."
            )
        _Table.metadata.create_all(connection)
        connection.exec_driver_sql(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _explanation(path: Path, done: str, error: BaseException | None) -> str:
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


def _is(key: ScanKey) -> tuple[Any, ...]:
    return (
        _Scan.clip_sha256 == key.clip_sha256,
        _Scan.model_sha256 == key.model_sha256,
        _Scan.settings_sha256 == key.settings_sha256,
        _Scan.engine == key.engine,
    )


def _stored(row: _Exam) -> StoredExam:
    return StoredExam(row.animal, row.date, row.fingerprint, row.document, tuple(json.loads(row.files)))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
