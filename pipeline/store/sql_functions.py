"""What the store asks of its database in other words for each kind of it; SQLAlchemy chooses by the connection."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from sqlalchemy import BigInteger, Boolean, ColumnElement, Connection, String, TableClause, insert, literal, text
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import NullType

from pipeline.store.schema import Table

__all__ = ["casefolded", "insert_texts", "is_row", "row_number", "text_contains"]

SIGMA, FINAL_SIGMA = "\N{GREEK SMALL LETTER SIGMA}", "\N{GREEK SMALL LETTER FINAL SIGMA}"


class _Casefolded(FunctionElement[str]):
    type = String()
    inherit_cache = True


class _Contains(FunctionElement[bool]):
    type = Boolean()
    inherit_cache = True


class _RowNumber(FunctionElement[int]):
    type = BigInteger()
    inherit_cache = True


class _IsRow(FunctionElement[bool]):
    # With Boolean, SQLite would be asked whether this equals 1, and then looks at every row.
    type: Any = NullType()
    inherit_cache = True


def casefolded(column: Any) -> ColumnElement[str]:
    """Text without regard to case, as `str.casefold` makes it."""
    return _Casefolded(column)


def text_contains(column: Any, part: str) -> ColumnElement[bool]:
    """Whether text has a part, letter by letter."""
    return _Contains(column, literal(part, String()))


def row_number(table: type[Table]) -> ColumnElement[int]:
    """The database's own number of a row, since its key may be damaged. Others' writes may change it."""
    return _RowNumber(table.sha256)


def is_row(table: type[Table], number: int) -> ColumnElement[bool]:
    """Whether this is the row with such a number."""
    return _IsRow(table.sha256, literal(number, BigInteger()))


def insert_texts(connection: Connection, table: TableClause, rows: Collection[tuple[str, ...]]) -> None:
    """Insert rows of text, all at once."""
    if connection.dialect.name == "postgresql":  # pg8000 would ask the server once for each row
        columns = [list(column) for column in zip(*rows, strict=True)]
        arrays = ", ".join(f"CAST(:{n} AS text[])" for n in range(len(columns)))
        insertion = text(f"INSERT INTO {table.name} SELECT * FROM unnest({arrays})")
        connection.execute(insertion, {str(n): column for n, column in enumerate(columns)})
    else:
        names = [column.name for column in table.columns]
        connection.execute(insert(table), [dict(zip(names, row, strict=True)) for row in rows])


@compiles(_Casefolded, "sqlite")
def _casefold(element: _Casefolded, compiler: Any, **options: Any) -> str:
    # SQLite's own functions know the case of ASCII letters only; `pipeline.store.sqlite_database` adds Python's.
    return f"casefold({compiler.process(element.clauses, **options)})"


@compiles(_Casefolded, "postgresql")
def _casefold_by_icu(element: _Casefolded, compiler: Any, **options: Any) -> str:
    # Upper case first makes two letters of a sharp s, and the two lower cases of sigma are one.
    upper = f'upper({compiler.process(element.clauses, **options)} COLLATE "und-x-icu")'
    return f"""(replace(lower({upper}), '{FINAL_SIGMA}', '{SIGMA}') COLLATE "C")"""


@compiles(_Contains, "sqlite")
def _instr(element: _Contains, compiler: Any, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)}) > 0"


@compiles(_Contains, "postgresql")
def _strpos(element: _Contains, compiler: Any, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)}) > 0"


@compiles(_RowNumber, "sqlite")
def _rowid(element: _RowNumber, *_: Any, **__: Any) -> str:
    return f"{_table(element)}._rowid_"


@compiles(_RowNumber, "postgresql")
def _number_of_ctid(element: _RowNumber, *_: Any, **__: Any) -> str:
    """The place of a row, (page, item), as one number."""
    place = f"{_table(element)}.ctid::text::point"
    return f"((({place})[0])::bigint * 65536 + (({place})[1])::bigint)"


@compiles(_IsRow, "sqlite")
def _is_rowid(element: _IsRow, compiler: Any, **options: Any) -> str:
    return f"{_table(element)}._rowid_ = {_argument(element, compiler, **options)}"


@compiles(_IsRow, "postgresql")
def _is_ctid(element: _IsRow, compiler: Any, **options: Any) -> str:
    page, item = (f"{_argument(element, compiler, **options)} {part}" for part in ("/ 65536", "& 65535"))
    return f"{_table(element)}.ctid = concat('(', {page}, ',', {item}, ')')::tid"


def _table(element: FunctionElement[Any]) -> str:
    column: Any = next(iter(element.clauses))
    return str(column.table.name)


def _argument(element: FunctionElement[Any], compiler: Any, **options: Any) -> str:
    return str(compiler.process(list(element.clauses)[1], **options))
