"""A table of counts: CSV with the columns animal, date and shelled, and optionally low, high and follicles.

A row is one animal: its exam's date (YYYY-MM-DD), the shelled eggs counted, the lowest and highest number that the
method holds possible at 90 %, and the follicles counted. An empty cell is unknown. An animal without a row has no
result.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.method_results import MethodResults, ResultsError
from pipeline.bench.stated_counts import StatedCounts

__all__ = ["read_count_table"]

_NEEDED = {"animal", "date", "shelled"}


def read_count_table(data_set: DataSet, path: Path) -> MethodResults | None:
    """As `ResultsReader`: a ``.csv`` file with these columns, or a folder with one such file."""
    files = [path] if path.suffix == ".csv" else sorted(path.glob("*.csv")) if path.is_dir() else []
    tables = [(file, rows) for file in files if (rows := _rows(file)) is not None]
    if not tables:
        return None
    if len(tables) > 1:
        names = ", ".join(file.name for file, _ in tables)
        raise ResultsError(f"{path} holds several tables of counts ({names}). Name one of the files.")
    ((file, rows),) = tables
    counts: dict[str, StatedCounts] = {}
    for number, row in enumerate(rows, 2):
        try:
            animal, stated = row["animal"], _stated(row)
            if data_set.animals[animal].date != row["date"]:
                raise ValueError(f"{animal} has no exam of {row['date']}")
            if animal in counts:
                raise ValueError(f"{animal} has two rows")
        except (ValueError, KeyError) as error:
            raise ResultsError(
                f"{file}, line {number}: this is no count of {data_set.name} ({error!r}). Write animal, date and the "
                "number of shelled eggs, with low and high around it or both empty."
            ) from error
        counts[animal] = stated
    return MethodResults(counts=counts)


def _rows(file: Path) -> list[dict[str, str]] | None:
    """The rows of a table with the columns that are needed; None for any other file."""
    try:
        with file.open(encoding="utf-8-sig", newline="") as opened:
            reader = csv.DictReader(opened)
            return list(reader) if set(reader.fieldnames or ()) >= _NEEDED else None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ResultsError(f"{file} cannot be read ({error}). Write it as CSV in UTF-8.") from error


def _stated(row: Mapping[str, str]) -> StatedCounts:
    shelled, low, high, follicles = (_number(row.get(key)) for key in ("shelled", "low", "high", "follicles"))
    if shelled is None:
        raise ValueError("shelled is empty")
    if (low is None) != (high is None) or (low is not None and high is not None and not low <= shelled <= high):
        raise ValueError("low and high are not around shelled")
    interval = None if low is None or high is None else (low, high)
    return StatedCounts(estimate=shelled, interval90=interval, follicles_estimate=follicles)


def _number(cell: str | None) -> int | None:
    if cell is None or not cell.strip():
        return None
    number = int(cell)
    if number < 0:
        raise ValueError(f"{number} is below zero")
    return number
