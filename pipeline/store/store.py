"""What is known, kept: runs, finished clips, the exams' last results and outcomes, in one SQLite file.

A clip's scan is kept under what decides it: the recording's bytes, the network, the settings and the engine.
Every write is one transaction, so a run that is killed leaves a clip finished or absent, never in between.
Only a run that holds the output folder's lock (`pipeline.store.lock`) may write.
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

from sqlalchemy import delete, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from pipeline.exams.outcomes import OUTCOME_KINDS, Outcome
from pipeline.store.schema import (
    SCHEMA_VERSION,
    ExamRow,
    OutcomeRow,
    PictureRow,
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
    """archive : a scan packed by `pipeline.scan.serialization`;  pictures : in the order of their tracks."""

    archive: bytes
    pictures: tuple[StoredPicture, ...]


@dataclass(frozen=True)
class StoredExam:
    """The last result of one exam.

    date : ISO 8601;  fingerprint : sha256 of everything the result follows from
    summary_json : what the overview tells of it, as JSON
    files : what was written for it, relative to the output folder
    """

    animal: str
    date: str
    fingerprint: str
    summary_json: str
    files: tuple[str, ...]


class Store:
    """The database of one output folder. Use as a context manager, or call `close`.

    Every method raises `StoreError` where the file cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        """Open ``out/clutchlight.sqlite``, made new (with its folder) where there is none."""
        self.path = database_path(out)
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{out}: this output folder cannot be made ({error.strerror}). Choose a folder that can be "
                "written with --out."
            ) from error
        self._engine = connect(self.path)
        self._writer = self._engine.execution_options(writing=True)
        try:
            with self._explained("opened"):
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
        """The number of a new run. Runs without an end were killed, since only one run can hold the lock."""
        with self._writing() as session:
            session.execute(update(RunRow).where(RunRow.ended.is_(None)).values(outcome="killed", ended=_now()))
            run = RunRow(started=_now(), settings_sha256=settings_sha256, model_sha256=model_sha256, engine=engine)
            session.add(run)
            session.flush()
            return run.identity

    def finish_run(self, run: int, outcome: str) -> None:
        with self._writing() as session:
            session.execute(update(RunRow).where(RunRow.identity == run).values(outcome=outcome, ended=_now()))

    def scan(self, key: ScanKey) -> StoredScan | None:
        """The scan kept under this key, None where this clip is still to be read."""
        with self._reading() as session:
            row = session.scalar(select(ScanRow).where(*_is(key)))
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
            session.execute(delete(ScanRow).where(*_is(key)))
            session.add(
                ScanRow(
                    clip_sha256=key.clip_sha256,
                    model_sha256=key.model_sha256,
                    settings_sha256=key.settings_sha256,
                    engine=key.engine,
                    archive=scan.archive,
                    pictures=[
                        PictureRow(
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
            row = session.get(ExamRow, (animal, date))
            return None if row is None else _stored(row)

    def exams(self) -> Sequence[StoredExam]:
        """Every exam of this and earlier nights, by animal and date."""
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).order_by(ExamRow.animal, ExamRow.date))
            return [_stored(row) for row in rows]

    def fingerprints(self) -> dict[tuple[str, str], str]:
        """By animal and date, what the last result of every exam follows from."""
        with self._reading() as session:
            rows = session.execute(select(ExamRow.animal, ExamRow.date, ExamRow.fingerprint))
            return {(animal, date): fingerprint for animal, date, fingerprint in rows}

    def engine_name(self, animal: str, date: str) -> str | None:
        """The name of the engine that the last result of an exam comes from."""
        with self._reading() as session:
            made = select(RunRow.engine).join(ExamRow, ExamRow.run == RunRow.identity)
            return session.scalar(made.where(ExamRow.animal == animal, ExamRow.date == date))

    def exams_of(self, animal: str) -> Sequence[StoredExam]:
        """One animal's exams by date; of ids that differ only in case she is the same."""
        with self._reading() as session:
            # Compared here, since SQLite folds the case of English letters only.
            names = [name for name in session.scalars(select(ExamRow.animal).distinct()) if _same(name, animal)]
            rows = session.scalars(select(ExamRow).where(ExamRow.animal.in_(names)).order_by(ExamRow.date))
            return [_stored(row) for row in rows]

    def save_exam(self, exam: StoredExam, run: int) -> None:
        """Keep the result of an exam in place of its last one. Call it after the exam's files are written."""
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

    def add_outcomes(self, outcomes: Sequence[Outcome]) -> None:
        """Keep what was later known, all or nothing, after what is kept already: nothing is overwritten."""
        recorded = _now()
        with self._writing() as session:
            session.add_all(
                OutcomeRow(
                    recorded=recorded,
                    animal=one.animal,
                    kind=one.kind,
                    date=one.date.isoformat(),
                    number=one.number,
                    who=one.who,
                    note=one.note,
                    withdrawn=one.withdrawn,
                )
                for one in outcomes
            )

    def outcomes(self) -> Sequence[Outcome]:
        """All that was ever told, corrected or not, in the order in which it was."""
        with self._reading() as session:
            rows = session.scalars(select(OutcomeRow).order_by(OutcomeRow.identity))
            return [_told(row) for row in rows]

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
            raise StoreError(error_message(self.path, done, error.orig)) from error
        except sqlite3.Error as error:  # from the pragmas of a new connection
            raise StoreError(error_message(self.path, done, error)) from error


def _same(one: str, other: str) -> bool:
    return one.casefold() == other.casefold()


def _is(key: ScanKey) -> tuple[Any, ...]:
    return (
        ScanRow.clip_sha256 == key.clip_sha256,
        ScanRow.model_sha256 == key.model_sha256,
        ScanRow.settings_sha256 == key.settings_sha256,
        ScanRow.engine == key.engine,
    )


def _stored(row: ExamRow) -> StoredExam:
    return StoredExam(row.animal, row.date, row.fingerprint, row.document, tuple(json.loads(row.files)))


def _told(row: OutcomeRow) -> Outcome:
    kind = next(kind for kind in OUTCOME_KINDS if kind == row.kind)
    return Outcome(row.animal, kind, dt.date.fromisoformat(row.date), row.number, row.who, row.note, row.withdrawn)


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
