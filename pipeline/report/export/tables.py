"""The tables over all exams: ``eggs.csv``, and animals and eggs as Parquet for those who calculate with them.

``summary.csv`` and ``animals.parquet`` have the same columns, a row for each exam; ``eggs.csv`` and ``eggs.parquet``
have a row for each egg or follicle. Parquet is written by arro3, which is the least to install of what writes it
(34 MB on the disk with its core, nothing besides; DuckDB 69, fastparquet with pandas 97, pyarrow 170, measured on
Linux), and the same rows give the same bytes.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pipeline.estimate.results import EggFinding
from pipeline.report.export.result import round_mm, round_probability
from pipeline.report.sightings import sorted_sightings
from pipeline.report.summary import SUMMARY_COLUMNS, ExamSummary, escape_formula, sorted_summaries, summary_row

if TYPE_CHECKING:
    from arro3.core import Array

__all__ = ["EGG_COLUMNS", "animals_parquet", "eggs_csv", "eggs_parquet"]

EPOCH = dt.date(1970, 1, 1)  # from which Parquet counts days

ColumnType = Literal["text", "integer", "float", "date"]


@dataclass(frozen=True)
class EggColumn:
    """A column of the table of eggs. kind : of its values, all of which can be missing."""

    name: str
    kind: ColumnType
    value: Callable[[ExamSummary, EggFinding], object]


def _end(range_mm: tuple[float, float] | None, which: int) -> float | None:
    return None if range_mm is None else round_mm(range_mm[which])


def _chance(value: float | None) -> float | None:
    return None if value is None else round_probability(value)


def _told(egg: EggFinding, sign: str) -> float | None:
    """Decibels and the thickness of a wall to 0.1; what could not be told stays missing."""
    value = None if egg.signs is None else getattr(egg.signs, sign)
    return None if value is None else round(float(value), 1)


EGG_COLUMNS = (
    EggColumn("animal", "text", lambda exam, _: exam.exam.animal),
    EggColumn("exam_date", "date", lambda exam, _: exam.exam.date),
    EggColumn("species", "text", lambda exam, _: exam.exam.species),
    EggColumn("egg", "integer", lambda _, egg: egg.identity),
    EggColumn("stage", "text", lambda _, egg: egg.stage),
    EggColumn("stage_probability", "float", lambda _, egg: round_probability(egg.stage_probability)),
    EggColumn("confidence", "float", lambda _, egg: round_probability(egg.confidence)),
    EggColumn("shape", "text", lambda _, egg: egg.shape),
    EggColumn("length_mm", "float", lambda _, egg: round_mm(egg.length_mm)),
    EggColumn("width_mm", "float", lambda _, egg: round_mm(egg.width_mm)),
    EggColumn("length_low90_mm", "float", lambda _, egg: _end(egg.length_interval90_mm, 0)),
    EggColumn("length_high90_mm", "float", lambda _, egg: _end(egg.length_interval90_mm, 1)),
    EggColumn("width_low90_mm", "float", lambda _, egg: _end(egg.width_interval90_mm, 0)),
    EggColumn("width_high90_mm", "float", lambda _, egg: _end(egg.width_interval90_mm, 1)),
    EggColumn("oval_probability", "float", lambda _, egg: _chance(egg.oval_probability)),
    EggColumn("wall_db", "float", lambda _, egg: _told(egg, "rim_db")),
    EggColumn("wall_mm", "float", lambda _, egg: _told(egg, "rim_mm")),
    EggColumn("shadow_db", "float", lambda _, egg: _told(egg, "shadow_db")),
    EggColumn("inside", "text", lambda _, egg: egg.signs and egg.signs.interior),
    EggColumn("depth_mm", "float", lambda _, egg: round_mm(egg.depth_mm)),
    EggColumn("times_seen", "integer", lambda _, egg: len(egg.sightings)),
    EggColumn("clips", "text", lambda _, egg: "; ".join(dict.fromkeys(s.clip for s in sorted_sightings(egg)))),
    EggColumn("report", "text", lambda exam, _: f"{exam.folder}/report.html"),
)

# Of the summary's columns; all others hold words.
INTEGER_COLUMNS = {
    "eggs_passed_before", "shelled_estimate", "shelled_at_least", "shelled_low90", "shelled_high90",
    "follicles_estimate", "follicles_at_least", "follicles_low90", "follicles_high90",
    "eggs_passed_of_clutch", "days_since_exam_before", "shelled_fewer", "shelled_fewer_low90", "shelled_fewer_high90",
    "days_since_shells_first_seen", "clips", "clips_refused", "frames", "frames_used",
}  # fmt: skip
FLOAT_COLUMNS = {
    "weight_g", "carapace_mm", "carapace_width_mm", "stage_probability", "confidence",
    "median_shelled_length_mm", "median_shelled_width_mm",
}  # fmt: skip


def eggs_csv(summaries: Sequence[ExamSummary]) -> bytes:
    """One row an egg by animal, date and number, in the form of ``summary.csv``."""
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow([column.name for column in EGG_COLUMNS])
    table.writerows([escape_formula(cell) for cell in row] for row in _egg_rows(summaries))
    return text.getvalue().encode("utf-8", "backslashreplace")


def eggs_parquet(summaries: Sequence[ExamSummary]) -> bytes:
    """The rows of ``eggs.csv`` with their types: words, whole numbers, real numbers, days."""
    names = [column.name for column in EGG_COLUMNS]
    return _parquet(names, [column.kind for column in EGG_COLUMNS], _egg_rows(summaries))


def animals_parquet(summaries: Sequence[ExamSummary]) -> bytes:
    """The rows of ``summary.csv`` with their types."""
    rows = [summary_row(summary) for summary in sorted_summaries(summaries)]
    return _parquet(SUMMARY_COLUMNS, [_kind(name) for name in SUMMARY_COLUMNS], rows)


def _egg_rows(summaries: Sequence[ExamSummary]) -> list[list[object]]:
    return [
        [column.value(summary, egg) for column in EGG_COLUMNS]
        for summary in sorted_summaries(summaries)
        for egg in sorted(summary.finding.eggs, key=lambda egg: egg.identity)
    ]


def _kind(name: str) -> ColumnType:
    if name == "exam_date":
        return "date"
    return "integer" if name in INTEGER_COLUMNS else "float" if name in FLOAT_COLUMNS else "text"


def _parquet(names: Sequence[str], kinds: Sequence[ColumnType], rows: Sequence[Sequence[object]]) -> bytes:
    from arro3.core import Table
    from arro3.io import write_parquet

    columns = [_column([row[place] for row in rows], kind) for place, kind in enumerate(kinds)]
    file = io.BytesIO()
    write_parquet(Table(columns, names=names), file, compression="zstd(3)", created_by="Clutchlight")
    return file.getvalue()


def _column(values: Sequence[object], kind: ColumnType) -> Array:
    from arro3.core import Array, DataType

    if kind == "date":  # arro3 makes no days of Python's dates, but of whole numbers
        days = [(value - EPOCH).days if isinstance(value, dt.date) else None for value in values]
        return Array(days, type=DataType.int32()).cast(DataType.date32())
    if kind == "text":  # a file name that is no valid Unicode stays readable, as in the CSV
        words = [None if value is None else str(value).encode("utf-8", "backslashreplace").decode() for value in values]
        return Array(words, type=DataType.utf8())
    return Array(values, type=DataType.int64() if kind == "integer" else DataType.float64())
