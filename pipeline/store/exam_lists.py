"""Lists of exams for review: ordered, filtered and counted by the database, a page at a time.

Only an index is read (`pipeline.store.schema.ExamRow`), not the results, so that a list of 100,000 exams is quick. Who
signed is kept elsewhere (`pipeline.people`), so those exams are marked here, in a table of this connection alone.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import ColumnElement, String, column, exists, func, select, table

from pipeline.store.schema import ExamRow
from pipeline.store.store import Store

__all__ = ["ExamPage", "ExamQuery", "ListedKey", "ListedStore"]

ListedKey = tuple[str, str]
"""Animal and date (ISO 8601) of an exam."""

_SIGNED = table("signed_exams", column("animal", String), column("date", String))
_ORDER = (ExamRow.urgency, ExamRow.error_probability.desc(), ExamRow.folder)
_MARK = "INSERT OR IGNORE INTO signed_exams VALUES (?, ?)"
_UNMARK = "DELETE FROM signed_exams WHERE animal = ? AND date = ?"


@dataclass(frozen=True)
class ExamQuery:
    """is_signed : None for all exams, the signed ones last;  date : ISO 8601, "" for any

    severity : of any of its flags, "" for any;  animal, species : any part of the name, in any case
    """

    is_signed: bool | None = None
    date: str = ""
    severity: str = ""
    animal: str = ""
    species: str = ""


@dataclass(frozen=True)
class ExamPage:
    """exams : of one page, the most urgent and least certain first;  count : of all pages"""

    exams: tuple[ListedKey, ...]
    count: int


class ListedStore(Store):
    """A store whose exams can be listed. Results of another version are in no list."""

    def __init__(self, out: Path) -> None:
        super().__init__(out)
        with self._reading() as session:
            session.connection().exec_driver_sql(
                "CREATE TEMP TABLE signed_exams (animal TEXT, date TEXT, PRIMARY KEY (animal, date)) WITHOUT ROWID"
            )
            session.commit()

    def mark_signed(self, signed: Collection[ListedKey], opened: Collection[ListedKey] = ()) -> None:
        """Note which exams were signed, and which are open again."""
        with self._reading() as session:
            for statement, keys in ((_MARK, signed), (_UNMARK, opened)):
                if keys:
                    session.connection().exec_driver_sql(statement, list(keys))
            session.commit()

    def list_exams(self, query: ExamQuery, first: int, number: int) -> ExamPage:
        """A page of the exams that match. first : place of its first exam, from 0"""
        is_signed = exists().where(_SIGNED.c.animal == ExamRow.animal, _SIGNED.c.date == ExamRow.date)
        matches = _conditions(query, is_signed)
        page = select(ExamRow.animal, ExamRow.date).where(*matches)
        page = page.order_by(is_signed, *_ORDER) if query.is_signed is None else page.order_by(*_ORDER)
        with self._reading() as session:
            count = session.scalar(select(func.count()).select_from(ExamRow).where(*matches)) or 0
            keys = session.execute(page.limit(number).offset(first))
            return ExamPage(tuple((animal, date) for animal, date in keys), count)

    def open_neighbours(self, key: ListedKey) -> tuple[str | None, str | None]:
        """The folders of the exams before and after one, of those that are not signed; None at the ends of the list."""
        is_signed = exists().where(_SIGNED.c.animal == ExamRow.animal, _SIGNED.c.date == ExamRow.date)
        listed = (
            select(
                ExamRow.animal,
                ExamRow.date,
                func.lag(ExamRow.folder).over(order_by=_ORDER).label("before"),
                func.lead(ExamRow.folder).over(order_by=_ORDER).label("after"),
            )
            .where(*_conditions(ExamQuery(is_signed=False), is_signed))
            .subquery()
        )
        of_exam = select(listed.c.before, listed.c.after).where(listed.c.animal == key[0], listed.c.date == key[1])
        with self._reading() as session:
            row = session.execute(of_exam).first()
            return (None, None) if row is None else (row[0], row[1])

    def listed_folders(self) -> list[tuple[str, str, str]]:
        """Animal, date and folder of every exam, by animal and date."""
        columns = select(ExamRow.animal, ExamRow.date, ExamRow.folder).where(ExamRow.folder != "")
        with self._reading() as session:
            rows = session.execute(columns.order_by(ExamRow.animal, ExamRow.date))
            return [(animal, date, folder) for animal, date, folder in rows]

    def exam_in(self, folder: str) -> ListedKey | None:
        """The exam whose results are in a folder, None if there is none. folder : ANIMAL/DATE"""
        with self._reading() as session:
            keys = select(ExamRow.animal, ExamRow.date).where(ExamRow.folder == folder, ExamRow.folder != "")
            row = session.execute(keys).first()
            return None if row is None else (row[0], row[1])

    def species(self) -> list[str]:
        """Of all exams, sorted."""
        with self._reading() as session:
            return sorted(session.scalars(select(ExamRow.species).where(ExamRow.species != "").distinct()))


def _conditions(query: ExamQuery, is_signed: ColumnElement[bool]) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = [ExamRow.folder != ""]
    if query.is_signed is not None:
        conditions.append(is_signed if query.is_signed else ~is_signed)
    if query.date:
        conditions.append(ExamRow.date == query.date)
    if query.severity:
        conditions.append(func.instr(ExamRow.severities, f",{query.severity},") > 0)
    for name, part in ((ExamRow.animal, query.animal), (ExamRow.species, query.species)):
        if part:
            conditions.append(func.instr(func.casefold(name), part.casefold()) > 0)
    return conditions
