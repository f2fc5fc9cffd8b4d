"""Rows of the store that the disk has changed: found by their hashes, and removed, since all can be made again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from sqlalchemy import delete, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from pipeline.store.database import Database
from pipeline.store.schema import ExamRow, PictureRow, RefusalRow, RunRow, ScanRow, Table
from pipeline.store.sql_functions import is_row, row_number

__all__ = ["DamagedRow", "check_rows", "find_damaged_rows", "remove_damaged_rows"]

# Exams before the runs to which they refer.
TABLES: tuple[type[Table], ...] = (ExamRow, ScanRow, RefusalRow, RunRow)


@dataclass(frozen=True)
class DamagedRow:
    """label : what it holds, in words, as far as that can still be read

    exam : animal and date of a damaged exam, else None;  clip_sha256 : of a damaged scan, else None
    is_removed : whether it is gone
    """

    table: type[Table]
    number: int
    label: str
    exam: tuple[str, str] | None = None
    clip_sha256: str | None = None
    is_removed: bool = False


def find_damaged_rows(session: Session, parts: int = 1, part: int = 0) -> Iterator[DamagedRow]:
    """Verify the hash of every row, or of one of so many parts of the rows.

    Raises DBAPIError if not even the rows can be listed.
    """
    for table in TABLES:
        numbers = select(row_number(table)).where(row_number(table) % parts == part)
        for number in session.scalars(numbers).all():
            damaged = _damage(session, table, number)
            if damaged is not None:
                yield damaged
            session.expunge_all()  # scans are large
    scans = select(ScanRow.identity)
    for scan in session.scalars(select(PictureRow.scan).distinct().where(PictureRow.scan.not_in(scans))).all():
        yield DamagedRow(PictureRow, scan, f"the pictures of scan {scan}, which is not there")


def remove_damaged_rows(session: Session, parts: int, part: int) -> list[DamagedRow]:
    """Remove the rows of this part whose hash is wrong, and say which. Those that cannot be removed stay."""
    found = []
    for damaged in find_damaged_rows(session, parts, part):
        of_scan = PictureRow.scan == damaged.number
        matches = of_scan if damaged.table is PictureRow else is_row(damaged.table, damaged.number)
        try:
            with session.begin_nested():
                session.execute(delete(damaged.table).where(matches), execution_options={"synchronize_session": False})
        except DBAPIError:
            found.append(damaged)
        else:
            found.append(replace(damaged, is_removed=True))
    return found


def check_rows(database: Database) -> list[str]:
    """A sentence for each damaged row of a store of this version. Nothing is changed. Raises StoreError."""
    engine = database.connect(read_only=True)
    try:
        with database.explained("read"), Session(engine) as session:
            return [
                f"{database.name}: {row.label}: damaged on the disk. The next batch removes it, and computes it again."
                for row in find_damaged_rows(session)
            ]
    finally:
        engine.dispose()


def _damage(session: Session, table: type[Table], number: int) -> DamagedRow | None:
    try:
        row = session.scalar(select(table).where(is_row(table, number)))
    except (DBAPIError, UnicodeDecodeError):
        return DamagedRow(table, number, f"row {number} of {table.__tablename__}")
    if row is None or row.is_sound:
        return None
    exam = (row.animal, row.date) if isinstance(row, ExamRow) else None
    return DamagedRow(table, number, row.label, exam, row.clip_sha256 if isinstance(row, ScanRow) else None)
