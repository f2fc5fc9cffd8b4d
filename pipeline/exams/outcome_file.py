"""Outcomes told by a person, on the command line or as CSV, with every mistake named by line and column.

The CSV has a header, in any order: ``animal``, ``outcome`` (laid, radiograph, surgery, hatched) and ``date``
(2026-05-14) are needed; ``number``, ``who``, ``note`` and ``withdrawn`` (yes, or empty) may be left out or empty.
Commas or semicolons part the columns.
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
from pipeline.exams.outcomes import OUTCOME_KINDS, Outcome
from pipeline.exams.path_checks import invalid_name_reason, printable

__all__ = ["COLUMNS", "OutcomeError", "new_outcomes", "parse_outcome", "read_outcomes"]

REQUIRED_COLUMNS = ("animal", "outcome", "date")
COLUMNS = (*REQUIRED_COLUMNS, "number", "who", "note", "withdrawn")
MAXIMUM_BYTES = 16 << 20  # a century of a large centre; anything larger is some other file
MAXIMUM_EGGS = 1000  # as in exam.toml; catches a slip of the keyboard
MAXIMUM_TEXT_LENGTH = 1000


class OutcomeError(ClutchlightError):
    """Outcomes that cannot be taken; one line of text per mistake. None of a file with a mistake is taken."""


class _CellError(Exception):
    def __init__(self, column: str, what: str) -> None:
        super().__init__(what)
        self.column = column


def parse_outcome(cells: Mapping[str, str], *, today: dt.date) -> Outcome:
    """The outcome that these texts tell, by column; an empty text is as none. Raises OutcomeError.

    today : no outcome is known of a later date
    """
    try:
        return _outcome(cells, today)
    except _CellError as error:
        raise OutcomeError(f"{error.column}: {error}.") from None


def read_outcomes(path: Path, *, today: dt.date) -> list[Outcome]:
    """All rows of a CSV file, in its order. Raises OutcomeError, which lists all mistakes of the file at once."""
    rows = _rows(path)
    header = [name.strip().lower() for name in rows[0][1]] if rows else []
    faults = _header_faults(header)
    if faults:
        raise OutcomeError("\n".join(f"{path}, line 1, {fault}" for fault in faults))
    outcomes = []
    for line, cells in rows[1:]:
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            faults.append(f"{path}, line {line}: {len(cells)} cells, but the header names {len(header)} columns.")
            continue
        try:
            outcomes.append(_outcome(dict(zip(header, cells, strict=False)), today))
        except _CellError as error:
            faults.append(f"{path}, line {line}, column '{error.column}': {error}.")
    if faults:
        raise OutcomeError("\n".join(faults))
    return outcomes


def new_outcomes(outcomes: Iterable[Outcome], known: Iterable[Outcome]) -> list[Outcome]:
    """Those that were never told in the very same words.

    A file is often given again after rows were added; its old rows must not undo what was corrected since.
    """
    told = set(known)
    return [one for one in dict.fromkeys(outcomes) if one not in told]


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Lines, from 1, and cells of all rows that are not empty."""
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAXIMUM_BYTES else None
    except OSError as error:
        raise OutcomeError(f"{path}: cannot be read: {error.strerror or error}.") from None
    if raw is None:
        raise OutcomeError(f"{path}: larger than {MAXIMUM_BYTES} bytes, which no file of outcomes is.")
    try:
        text = raw.decode("utf-8-sig")  # spreadsheets put a byte order mark in front
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise OutcomeError(f"{path}, line {line}: not UTF-8 text; save it as CSV in UTF-8.") from None
    head = text.split("\n", 1)[0]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if head.count(";") > head.count(",") else ",")
    rows: list[tuple[int, list[str]]] = []
    began = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((began, cells))
            began = reader.line_num + 1
    except csv.Error as error:
        raise OutcomeError(f"{path}, line {reader.line_num}: not CSV: {error}.") from None
    return rows


def _header_faults(header: list[str]) -> list[str]:
    faults = [f"column '{name}': missing; add it." for name in REQUIRED_COLUMNS if name not in header]
    for place, name in enumerate(header):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.6)
            hint = f"did you mean '{near[0]}'?" if near else f"the columns are {', '.join(COLUMNS)}."
            faults.append(f"column '{printable(name)}': unknown; {hint}")
        elif name in header[:place]:
            faults.append(f"column '{name}': there twice; keep one.")
    return faults


def _outcome(cells: Mapping[str, str], today: dt.date) -> Outcome:
    given = {name: text.strip() for name, text in cells.items()}
    animal = unicodedata.normalize("NFC", given.get("animal", ""))
    fault = invalid_name_reason(animal)
    if fault:
        raise _CellError("animal", f"the id '{printable(animal)}' {fault}")
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
        raise _CellError("date", f"{text} is yet to come; today is {today}")
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
