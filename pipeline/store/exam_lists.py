"""Lists of exams for review: ordered, filtered and counted by the database, a page at a time.

Only an index is read (`pipeline.store.schema.ExamRow`), not the results, so that a list of 100,000 exams is quick. Who
signed is kept elsewhere (`pipeline.people`), so those exams are marked here, in a table of this connection alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Column, ColumnElement, MetaData, Table, bindparam, delete, exists, func, select
from sqlalchemy.orm import Session

from pipeline.store.column_types import TEXT
from pipeline.store.schema import ExamRow
from pipeline.store.sql_functions import casefolded, insert_texts, text_contains
from pipeline.store.store import Store

__all__ = ["ExamPage", "ExamQuery", "ListedKey", "ListedStore"]

ListedKey = tuple[str, str]
"""Animal and date (ISO 8601) of an exam."""

_SIGNED = Table(
    "signed_exams",
    MetaData(),
    Column("animal", TEXT, primary_key=True),
    Column("date", TEXT, primary_key=True),
    prefixes=["TEMPORARY"],
    sqlite_with_rowid=False,
)
_ORDER = (ExamRow.urgency, ExamRow.error_probability.desc(), ExamRow.folder)
_UNMARK = delete(_SIGNED).where(_SIGNED.c.animal == bindparam("animal"), _SIGNED.c.date == bindparam("date"))


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
        self._signed: set[ListedKey] = set()

    def mark_signed(self, signed: Collection[ListedKey], opened: Collection[ListedKey] = ()) -> None:
        """Note which exams were signed, and which are open again."""
        with self._marked() as session:
            added, removed = set(signed) - self._signed, (set(signed) | self._signed) & set(opened)
            if added:
                insert_texts(session.connection(), _SIGNED, added)
            if removed:
                rows = [{"animal": animal, "date": date} for animal, date in removed]
                session.connection().execute(_UNMARK, rows)
            session.commit()
        self._signed = (self._signed | added) - removed

    @contextmanager
    def _marked(self) -> Iterator[Session]:
        """A session in which the signed exams are marked, also where the connection had to be made anew."""
        with self._reading() as session:
            connection = session.connection()
            if "has_marks" not in connection.info:
                _SIGNED.create(connection)
                if self._signed:
                    insert_texts(connection, _SIGNED, self._signed)
                connection.info["has_marks"] = True
                session.commit()
            yield session

    def list_exams(self, query: ExamQuery, first: int, number: int) -> ExamPage:
        """A page of the exams that match. first : place of its first exam, from 0"""
        is_signed = exists().where(_SIGNED.c.animal == ExamRow.animal, _SIGNED.c.date == ExamRow.date)
        matches = _conditions(query, is_signed)
        page = select(ExamRow.animal, ExamRow.date).where(*matches)
        page = page.order_by(is_signed, *_ORDER) if query.is_signed is None else page.order_by(*_ORDER)
        with self._marked() as session:
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
        with self._marked() as session:
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
        conditions.append(text_contains(ExamRow.severities, f",{query.severity},"))
    for name, part in ((ExamRow.animal, query.animal), (ExamRow.species, query.species)):
        if part:
            conditions.append(text_contains(casefolded(name), part.casefold()))
    return conditions
