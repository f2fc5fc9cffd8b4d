"""Read outcomes from the command line or a CSV file. Every mistake is reported with its line and column.

The CSV file has a header. The columns ``animal``, ``outcome`` (laid, radiograph, surgery or hatched) and ``date`` (like
2026-05-14) are required. The columns ``number``, ``who``, ``note`` and ``withdrawn`` (yes, or empty) may be missing or
empty. The order does not matter. Commas or semicolons separate the columns.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import re
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path

from models.errors import ClutchlightError
from models.printable import printable
from pipeline.exams.outcomes import OUTCOME_KINDS, Outcome
from pipeline.exams.path_checks import invalid_name_reason

__all__ = ["COLUMNS", "OutcomeError", "new_outcomes", "parse_outcome", "read_outcomes"]

REQUIRED_COLUMNS = ("animal", "outcome", "date")
COLUMNS = (*REQUIRED_COLUMNS, "number", "who", "note", "withdrawn")
# Common practice, no source:
MAXIMUM_BYTES = 16 << 20  # enough for a century of a large centre; anything larger is another kind of file
MAXIMUM_EGGS = 1000  # as in exam.toml; catches typing errors
MAXIMUM_TEXT_LENGTH = 1000  # characters


class OutcomeError(ClutchlightError):
    """Outcomes that cannot be read, with one line of text per mistake. A file with any mistake is rejected whole."""


class _CellError(Exception):
    """A cell with a wrong value. It becomes a line of an `OutcomeError`."""

    def __init__(self, column: str, problem: str) -> None:
        super().__init__(problem)
        self.column = column


def parse_outcome(cells: Mapping[str, str], *, today: dt.date) -> Outcome:
    """The outcome in these cells, by column. An empty cell counts as missing. Raises OutcomeError.

    today : later dates are refused
    """
    try:
        return _outcome(cells, today)
    except _CellError as error:
        raise OutcomeError(f"{error.column}: {error}.") from None


def read_outcomes(path: Path, *, today: dt.date) -> list[Outcome]:
    """All rows of a CSV file, in order. Raises OutcomeError, which lists all mistakes of the file at once."""
    rows = _rows(path)
    header = [name.strip().lower() for name in rows[0][1]] if rows else []
    problems = _header_problems(header)
    if problems:
        raise OutcomeError("\n".join(f"{path}, line 1, {problem}" for problem in problems))
    outcomes = []
    for line, cells in rows[1:]:
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            problems.append(f"{path}, line {line}: {len(cells)} cells, but the header names {len(header)} columns.")
            continue
        try:
            outcomes.append(_outcome(dict(zip(header, cells, strict=False)), today))
        except _CellError as error:
            problems.append(f"{path}, line {line}, column '{error.column}': {error}.")
    if problems:
        raise OutcomeError("\n".join(problems))
    return outcomes


def new_outcomes(outcomes: Iterable[Outcome], known: Iterable[Outcome]) -> list[Outcome]:
    """The outcomes that are not among the known ones, each once.

    People often import the same file again after adding rows. Its old rows must not undo later corrections.
    """
    recorded = set(known)
    return [outcome for outcome in dict.fromkeys(outcomes) if outcome not in recorded]


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """The first line, from 1, and the cells of every row that is not empty. Raises OutcomeError."""
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAXIMUM_BYTES else None
    except OSError as error:
        raise OutcomeError(f"{path}: cannot be read: {error.strerror or error}.") from None
    if raw is None:
        raise OutcomeError(f"{path}: larger than {MAXIMUM_BYTES} bytes, too large for a file of outcomes.")
    try:
        text = raw.decode("utf-8-sig")  # spreadsheet programs may write a byte order mark
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise OutcomeError(f"{path}, line {line}: not UTF-8 text; save it as CSV in UTF-8.") from None
    header = text.split("\n", 1)[0]
    delimiter = ";" if header.count(";") > header.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows: list[tuple[int, list[str]]] = []
    first_line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((first_line, cells))
            first_line = reader.line_num + 1
    except csv.Error as error:
        raise OutcomeError(f"{path}, line {reader.line_num}: not CSV: {error}.") from None
    return rows


def _header_problems(header: list[str]) -> list[str]:
    problems = [f"column '{name}': missing; add it." for name in REQUIRED_COLUMNS if name not in header]
    for place, name in enumerate(header):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.6)
            hint = f"did you mean '{near[0]}'?" if near else f"the columns are {', '.join(COLUMNS)}."
            problems.append(f"column '{printable(name)}': unknown; {hint}")
        elif name in header[:place]:
            problems.append(f"column '{name}': appears twice; keep one.")
    return problems


def _outcome(cells: Mapping[str, str], today: dt.date) -> Outcome:
    given = {name: text.strip() for name, text in cells.items()}
    animal = unicodedata.normalize("NFC", given.get("animal", ""))
    problem = invalid_name_reason(animal)
    if problem:
        raise _CellError("animal", f"the id '{printable(animal)}' {problem}")
    kind = next((kind for kind in OUTCOME_KINDS if kind == given.get("outcome", "").lower()), None)
    if kind is None:
        raise _CellError(
            "outcome", f"expected one of {', '.join(OUTCOME_KINDS)}, got '{printable(given.get('outcome', ''))}'"
        )
    withdrawn = given.get("withdrawn", "").lower()
    if withdrawn not in ("", "yes"):
        raise _CellError("withdrawn", f"expected yes or nothing, got '{printable(withdrawn)}'")
    return Outcome(
        animal=animal,
        kind=kind,
        date=_date(given.get("date", ""), today),
        number=_number(given.get("number", "")),
        who=_text("who", given.get("who", "")),
        note=_text("note", given.get("note", "")),
        withdrawn=withdrawn == "yes",
    )


def _date(text: str, today: dt.date) -> dt.date:
    try:
        date = dt.date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) else None
    except ValueError:
        date = None
    if date is None:
        raise _CellError("date", f"expected a date like 2026-05-14, got '{printable(text)}'")
    if date > today:
        raise _CellError("date", f"{text} is in the future; today is {today}")
    return date


def _number(text: str) -> int | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII) or int(text) > MAXIMUM_EGGS:
        raise _CellError("number", f"expected a whole number from 0 to {MAXIMUM_EGGS}, got '{printable(text)}'")
    return int(text)


def _text(column: str, text: str) -> str | None:
    if len(text) > MAXIMUM_TEXT_LENGTH:
        raise _CellError(column, f"longer than {MAXIMUM_TEXT_LENGTH} characters")
    return printable(" ".join(text.split())) if text else None
