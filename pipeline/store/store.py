"""The store of an output folder: runs, scans of clips, and the last result of each exam, in its database.

All of it can be computed again from the recordings. What people said is in `pipeline.people`.

The key of a scan is what decides it: the bytes of the recording, the network, the settings and the engine. Every write
is one transaction, so a run that is killed leaves the scan of a clip whole or absent, never in between. Only a run that
holds the output folder's lock (`pipeline.store.lock`) may write.

A row whose hash is wrong was damaged on the disk. It counts as absent, and is named in the log. The batch removes such
rows before it begins (`pipeline.store.damaged_rows`), and so reads the clip or estimates the exam anew.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy import delete, exists, func, select
from sqlalchemy.orm import Session, aliased

from pipeline.store.damaged_rows import DamagedRow, remove_damaged_rows
from pipeline.store.output_database import database_of
from pipeline.store.records import ExamListing, ScanKey, StoredExam, StoredPicture, StoredScan
from pipeline.store.schema import (
    SCHEMA_VERSION,
    ExamRow,
    PictureRow,
    RefusalRow,
    RunOutcome,
    RunRow,
    ScanRow,
    StoreError,
    Table,
)

__all__ = [
    "SCHEMA_VERSION",
    "ExamListing",
    "RunOutcome",
    "ScanKey",
    "Store",
    "StoreError",
    "StoredExam",
    "StoredPicture",
    "StoredScan",
]

log = logging.getLogger(__name__)

Row = TypeVar("Row", bound=Table)


class Store:
    """The database of one output folder. Use it as a context manager, or call `close`.

    Every method raises `StoreError` if the database cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        """Open the database of ``out``. Create it, and the folder, if it does not exist."""
        self.database = database_of(out)
        self.database.prepare()
        self._engine = self.database.connect()
        self._writer = self._engine.execution_options(writing=True)

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
            for killed in session.scalars(select(RunRow).where(RunRow.ended.is_(None))):
                _end(killed, RunOutcome.KILLED)
            run = RunRow(
                identity=_next_identity(session, RunRow),
                started=_now(),
                ended=None,
                settings_sha256=settings_sha256,
                model_sha256=model_sha256,
                engine=engine,
                outcome=None,
            ).sealed()
            session.add(run)
            return run.identity

    def finish_run(self, run: int, outcome: RunOutcome) -> None:
        with self._writing() as session:
            row = session.get(RunRow, run)
            if row is not None:
                _end(row, outcome)

    def scan(self, key: ScanKey) -> StoredScan | None:
        """The scan stored under this key, None if there is none."""
        with self._reading() as session:
            row = _sound(session.scalar(select(ScanRow).where(*_matches(key))))
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
            identity = _next_identity(session, ScanRow)
            # None are there, unless they were left by a scan whose number was damaged.
            session.execute(delete(PictureRow).where(PictureRow.scan == identity))
            pictures = [
                PictureRow(
                    scan=identity,
                    track=picture.track,
                    frame=picture.frame,
                    ellipse=json.dumps(picture.ellipse),
                    jpeg=picture.jpeg,
                ).sealed()
                for picture in sorted(scan.pictures, key=lambda picture: picture.track)
            ]
            session.add(ScanRow(identity=identity, **vars(key), archive=scan.archive, pictures=pictures).sealed())

    def refusal(self, clip_sha256: str) -> str | None:
        """Why a recording is no longer read, None if it may be. clip_sha256 : of the recording's bytes"""
        with self._reading() as session:
            row = _sound(session.get(RefusalRow, clip_sha256))
            return None if row is None else row.reason

    def save_refusal(self, clip_sha256: str, reason: str) -> None:
        with self._writing() as session:
            session.merge(RefusalRow(clip_sha256=clip_sha256, recorded=_now(), reason=reason).sealed())

    def delete_refusal(self, clip_sha256: str) -> None:
        with self._writing() as session:
            session.execute(delete(RefusalRow).where(RefusalRow.clip_sha256 == clip_sha256))

    def exam(self, animal: str, date: str) -> StoredExam | None:
        with self._reading() as session:
            row = _sound(session.get(ExamRow, (animal, date)))
            return None if row is None else _stored_exam(row)

    def exams(self) -> Sequence[StoredExam]:
        """Every exam of this and earlier runs, sorted by animal and date."""
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).order_by(ExamRow.animal, ExamRow.date))
            return [_stored_exam(row) for row in rows if _sound(row)]

    def exams_between(self, first: str, end: str) -> Sequence[StoredExam]:
        """The exams from one day to the day before another, sorted by animal and date. first, end : ISO 8601"""
        is_between = ExamRow.date >= first, ExamRow.date < end
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).where(*is_between).order_by(ExamRow.animal, ExamRow.date))
            return [_stored_exam(row) for row in rows if _sound(row)]

    def last_exams(self, below_urgency: int) -> list[tuple[str, str, str]]:
        """Animal, date and fingerprint of the last exams of animals that are this urgent, sorted; not verified.

        below_urgency : `ExamListing.urgency` is less than this
        """
        later = aliased(ExamRow)
        has_later = exists().where(later.animal == ExamRow.animal, later.date > ExamRow.date)
        keys = select(ExamRow.animal, ExamRow.date, ExamRow.fingerprint).order_by(ExamRow.animal)
        with self._reading() as session:
            rows = session.execute(keys.where(ExamRow.urgency < below_urgency, ExamRow.folder != "", ~has_later))
            return [(animal, date, fingerprint) for animal, date, fingerprint in rows]

    def fingerprints(self) -> dict[tuple[str, str], str]:
        """The fingerprint of every exam's last result, by animal and date: to see what has changed, not verified."""
        with self._reading() as session:
            rows = session.execute(select(ExamRow.animal, ExamRow.date, ExamRow.fingerprint))
            return {(animal, date): fingerprint for animal, date, fingerprint in rows}

    def engine_name(self, animal: str, date: str) -> str | None:
        """The name of the engine that gave the last result of an exam, None if there is no such exam."""
        with self._reading() as session:
            row = _sound(session.get(ExamRow, (animal, date)))
            return None if row is None or row.run_row is None else row.run_row.engine

    def animals(self) -> set[str]:
        """The ids of all animals, as they are stored."""
        with self._reading() as session:
            return set(session.scalars(select(ExamRow.animal).distinct()))

    def exams_of(self, animals: Collection[str]) -> Sequence[StoredExam]:
        """The exams of one animal, sorted by date. animals : all her ids, which differ only in case"""
        with self._reading() as session:
            rows = session.scalars(select(ExamRow).where(ExamRow.animal.in_(animals)).order_by(ExamRow.date))
            return [_stored_exam(row) for row in rows if _sound(row)]

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
                    **vars(exam.listing),
                ).sealed()
            )

    def remove_damaged_rows(self, parts: int = 1, part: int = 0) -> list[DamagedRow]:
        """Verify rows, and remove those that were damaged on the disk.

        parts, part : every row, or of so many parts of them only this one, counted from 0
        """
        with self._writing() as session:
            return remove_damaged_rows(session, parts, part)

    def row_number(self) -> int:
        """How many scans and exams there are."""
        with self._reading() as session:
            return sum(session.scalar(select(func.count()).select_from(table)) or 0 for table in (ScanRow, ExamRow))

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        with self.database.explained("read"), Session(self._engine) as session:
            yield session

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        with self.database.explained("written"), Session(self._writer) as session, session.begin():
            yield session


def _sound(row: Row | None) -> Row | None:
    """The row, None if there is none or if it is damaged."""
    if row is None or row.is_sound:
        return row
    log.warning("%s: damaged on the disk, and counts as absent", row.label)
    return None


def _end(run: RunRow, outcome: RunOutcome) -> None:
    """Record the end of a run. A damaged row stays as it is: a new hash would hide the damage."""
    if run.is_sound:
        run.outcome, run.ended = outcome.value, _now()
        run.sealed()


def _next_identity(session: Session, table: type[RunRow] | type[ScanRow]) -> int:
    """Chosen here, since the hash of a row covers it."""
    return int(session.scalar(select(func.max(table.identity))) or 0) + 1


def _matches(key: ScanKey) -> tuple[Any, ...]:
    return (
        ScanRow.clip_sha256 == key.clip_sha256,
        ScanRow.model_sha256 == key.model_sha256,
        ScanRow.settings_sha256 == key.settings_sha256,
        ScanRow.engine == key.engine,
    )


def _stored_exam(row: ExamRow) -> StoredExam:
    listing = ExamListing(*(getattr(row, column.name) for column in fields(ExamListing)))
    return StoredExam(row.animal, row.date, row.fingerprint, row.document, tuple(json.loads(row.files)), listing)


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
