"""The database of an output folder: runs, scans of clips, and the last result of each exam.

All of it can be computed again from the recordings. What people said is in `pipeline.people`.

The key of a scan is what decides it: the bytes of the recording, the network, the settings and the engine. Every write
is one transaction, so a run that is killed leaves the scan of a clip whole or absent, never in between. Only a run that
holds the output folder's lock (`pipeline.store.lock`) may write.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import delete, exists, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from pipeline.store.schema import (
    SCHEMA_VERSION,
    ExamRow,
    PictureRow,
    RefusalRow,
    RunOutcome,
    RunRow,
    ScanRow,
    StoreError,
    connect,
    database_path,
    ensure_schema,
    error_message,
)

__all__ = [
    "SCHEMA_VERSION",
    "RunOutcome",
    "ScanKey",
    "Store",
    "StoreError",
    "StoredExam",
    "StoredPicture",
    "StoredScan",
    "database_path",
]


@dataclass(frozen=True)
class ScanKey:
    """Everything that decides a scan: equal keys always give the same scan.

    clip_sha256 : of the recording's bytes
    model_sha256 : of the network's weights file
    settings_sha256 : of the settings that decide a scan
    engine : the inference engine's name, since the results of two engines agree only within tolerances
    """

    clip_sha256: str
    model_sha256: str
    settings_sha256: str
    engine: str


@dataclass(frozen=True)
class StoredPicture:
    """The picture of one track.

    frame : index from 0 in decoding order
    ellipse : [cx, cy, semi-major, semi-minor, degrees], px of the picture
    jpeg : the picture as a JPEG file
    """

    track: int
    frame: int
    ellipse: tuple[float, float, float, float, float]
    jpeg: bytes


@dataclass(frozen=True)
class StoredScan:
    """A scan as it is stored. archive : packed by `pipeline.scan.serialization`; pictures : sorted by track"""

    archive: bytes
    pictures: tuple[StoredPicture, ...]


@dataclass(frozen=True)
class StoredExam:
    """The last result of one exam.

    date : ISO 8601
    fingerprint : SHA-256 of everything that the result depends on
    summary_json : the exam's summary for the overview, as JSON
    files : the files written for it, relative to the output folder
    """

    animal: str
    date: str
    fingerprint: str
    summary_json: str
    files: tuple[str, ...]


class Store:
    """The database of one output folder. Use it as a context manager, or call `close`.

    Every method raises `StoreError` if the file cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        """Open ``out/clutchlight.sqlite``. Create it, and its folder, if it does not exist."""
        self.path = database_path(out)
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{out}: this output folder cannot be created ({error.strerror}). Choose a writable folder with --out."
            ) from error
        self._engine = connect(self.path)
        self._writer = self._engine.execution_options(writing=True)
        try:
            with self._translated_errors("opened"):
                ensure_schema(self._writer, self.path)
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
        """Record the start of a run, and return its number.

        Earlier runs without an end are recorded as killed, since only one run at a time can hold the lock.
        """
        with self._writing() as session:
            session.execute(
                update(RunRow).where(RunRow.ended.is_(None)).values(outcome=RunOutcome.KILLED, ended=_now())
            )
            run = RunRow(started=_now(), settings_sha256=settings_sha256, model_sha256=model_sha256, engine=engine)
            session.add(run)
            session.flush()
            return run.identity

    def finish_run(self, run: int, outcome: RunOutcome) -> None:
        with self._writing() as session:
            session.execute(update(RunRow).where(RunRow.identity == run).values(outcome=outcome, ended=_now()))

    def scan(self, key: ScanKey) -> StoredScan | None:
        """The scan stored under this key, None if there is none."""
        with self._reading() as session:
            row = session.scalar(select(ScanRow).where(*_matches(key)))
            if row is None:
                return None
            pictures = tuple(
                StoredPicture(picture.track, picture.frame, tuple(json.loads(picture.ellipse)), picture.jpeg)
                for picture in row.pictures
            )
            return StoredScan(row.archive, pictures)

    def has_scan(self, key: ScanKey) -> bool:
        """Whether a scan is stored under this key, without reading it."""
        with self._reading() as session:
            return session.scalar(select(exists().where(*_matches(key)))) or False

    def save_scan(self, key: ScanKey, scan: StoredScan) -> None:
        """Store a scan with its pictures in one transaction. It replaces any earlier scan of this key."""
        with self._writing() as session:
            session.execute(delete(ScanRow).where(*_matches(key)))
            session.add(
                ScanRow(
                    clip_sha256=key.clip_sha256,
                    model_sha256=key.model_sha256,
                    settings_sha256=key.settings_sha256,
                    engine=key.engine,
                    archive=scan.archive,
                    pictures=[
                        PictureRow(
                            track=picture.track,
                            frame=picture.frame,
                            ellipse=json.dumps(picture.ellipse),
                            jpeg=picture.jpeg,
                        )
                        for picture in scan.pictures
                    ],
                )
            )

    def refusal(self, clip_sha256: str) -> str | None:
        """Why a recording is no longer read, None if it may be. clip_sha256 : of the recording's bytes"""
        with self._reading() as session:
            row = session.get(RefusalRow, clip_sha256)
            return None if row is None else row.reason

    def save_refusal(self, clip_sha256: str, reason: str) -> None:
        with self._writing() as session:
            session.merge(RefusalRow(clip_sha256=clip_sha256, recorded=_now(), reason=reason))

    def delete_refusal(self, clip_sha256: str) -> None:
        with self._writing() as session:
            session.execute(delete(RefusalRow).where(RefusalRow.clip_sha256 == clip_sha256))

    def exam(self, animal: str, date: str) -> StoredExam | None:
        with self._reading() as session:
            row = session.get(ExamRow, (animal, date))
            return None if row is None else _stored_exam(row)

    def exams(self) -> Sequence[StoredExam]:
        """Every exam of this and earlier runs, sorted by animal and date."""
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).order_by(ExamRow.animal, ExamRow.date))
            return [_stored_exam(row) for row in rows]

    def fingerprints(self) -> dict[tuple[str, str], str]:
        """The fingerprint of every exam's last result, by animal and date."""
        with self._reading() as session:
            rows = session.execute(select(ExamRow.animal, ExamRow.date, ExamRow.fingerprint))
            return {(animal, date): fingerprint for animal, date, fingerprint in rows}

    def engine_name(self, animal: str, date: str) -> str | None:
        """The name of the engine that gave the last result of an exam, None if there is no such exam."""
        with self._reading() as session:
            engines = select(RunRow.engine).join(ExamRow, ExamRow.run == RunRow.identity)
            return session.scalar(engines.where(ExamRow.animal == animal, ExamRow.date == date))

    def animals(self) -> set[str]:
        """The ids of all animals, as they are stored."""
        with self._reading() as session:
            return set(session.scalars(select(ExamRow.animal).distinct()))

    def exams_of(self, animals: Collection[str]) -> Sequence[StoredExam]:
        """The exams of one animal, sorted by date. animals : all her ids, which differ only in case"""
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).where(ExamRow.animal.in_(animals)).order_by(ExamRow.date))
            return [_stored_exam(row) for row in rows]

    def save_exam(self, exam: StoredExam, run: int) -> None:
        """Store the result of an exam, in place of its last one. Call it after the exam's files are written."""
        with self._writing() as session:
            session.merge(
                ExamRow(
                    animal=exam.animal,
                    date=exam.date,
                    fingerprint=exam.fingerprint,
                    document=exam.summary_json,
                    files=json.dumps(exam.files),
                    run=run,
                )
            )

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        with self._translated_errors("read"), Session(self._engine) as session:
            yield session

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        with self._translated_errors("written"), Session(self._writer) as session, session.begin():
            yield session

    @contextmanager
    def _translated_errors(self, action: str) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise StoreError(error_message(self.path, action, error.orig)) from error
        except sqlite3.Error as error:  # raised by the pragmas of a new connection
            raise StoreError(error_message(self.path, action, error)) from error


def _matches(key: ScanKey) -> tuple[Any, ...]:
    return (
        ScanRow.clip_sha256 == key.clip_sha256,
        ScanRow.model_sha256 == key.model_sha256,
        ScanRow.settings_sha256 == key.settings_sha256,
        ScanRow.engine == key.engine,
    )


def _stored_exam(row: ExamRow) -> StoredExam:
    return StoredExam(row.animal, row.date, row.fingerprint, row.document, tuple(json.loads(row.files)))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
