"""Tables over all exams: ``eggs.csv``, and animals and eggs as Parquet for statistics software.

``summary.csv`` and ``animals.parquet`` have the same columns and a row for each exam. ``eggs.csv`` and ``eggs.parquet``
have a row for each egg or follicle. Parquet is written by arro3, the smallest library that writes it (34 MB on disk
with its core and no other dependency; DuckDB 69, fastparquet with pandas 97, pyarrow 170, measured on Linux). The same
rows give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.estimate.results import EggFinding
from pipeline.report.export.result import round_mm, round_probability
from pipeline.report.sightings import sorted_sightings
from pipeline.report.summary import SUMMARY_COLUMNS, ColumnType, ExamSummary, csv_bytes, sorted_summaries, summary_row

if TYPE_CHECKING:
    from arro3.core import Array

__all__ = ["EGG_COLUMNS", "animals_parquet", "eggs_csv", "eggs_parquet"]

EPOCH = dt.date(1970, 1, 1)  # day 0 of Parquet's dates


@dataclass(frozen=True)
class EggColumn:
    """A column of the table of eggs. type : of its values;  value : of one egg, None if missing"""

    name: str
    type: ColumnType
    value: Callable[[ExamSummary, EggFinding], object]


def _end(range_mm: tuple[float, float] | None, which: int) -> float | None:
    return None if range_mm is None else round_mm(range_mm[which])


def _probability(value: float | None) -> float | None:
    return None if value is None else round_probability(value)


def _sign(egg: EggFinding, sign: str) -> float | None:
    """A measured sign of a shell, rounded to 0.1 dB or mm; None if it could not be measured."""
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
    EggColumn("oval_probability", "float", lambda _, egg: _probability(egg.oval_probability)),
    EggColumn("wall_db", "float", lambda _, egg: _sign(egg, "rim_db")),
    EggColumn("wall_mm", "float", lambda _, egg: _sign(egg, "rim_mm")),
    EggColumn("shadow_db", "float", lambda _, egg: _sign(egg, "shadow_db")),
    EggColumn("inside", "text", lambda _, egg: egg.signs and egg.signs.interior),
    EggColumn("depth_mm", "float", lambda _, egg: round_mm(egg.depth_mm)),
    EggColumn("times_seen", "integer", lambda _, egg: len(egg.sightings)),
    EggColumn("clips", "text", lambda _, egg: "; ".join(dict.fromkeys(s.clip for s in sorted_sightings(egg)))),
    EggColumn("report", "text", lambda exam, _: f"{exam.folder}/report.html"),
)


def eggs_csv(summaries: Sequence[ExamSummary]) -> bytes:
    """A row for each egg, by animal, date and number, in the format of ``summary.csv``."""
    return csv_bytes([column.name for column in EGG_COLUMNS], _egg_rows(summaries))


def eggs_parquet(summaries: Sequence[ExamSummary]) -> bytes:
    """The rows of ``eggs.csv`` with their types: text, integers, floats, dates."""
    return _parquet([(column.name, column.type) for column in EGG_COLUMNS], _egg_rows(summaries))


def animals_parquet(summaries: Sequence[ExamSummary]) -> bytes:
    """The rows of ``summary.csv`` with their types."""
    rows = [summary_row(summary) for summary in sorted_summaries(summaries)]
    return _parquet([(column.name, column.type) for column in SUMMARY_COLUMNS], rows)


def _egg_rows(summaries: Sequence[ExamSummary]) -> list[list[object]]:
    return [
        [column.value(summary, egg) for column in EGG_COLUMNS]
        for summary in sorted_summaries(summaries)
        for egg in sorted(summary.finding.eggs, key=lambda egg: egg.identity)
    ]


def _parquet(columns: Sequence[tuple[str, ColumnType]], rows: Sequence[Sequence[object]]) -> bytes:
    from arro3.core import Table
    from arro3.io import write_parquet

    arrays = [_column([row[place] for row in rows], type_) for place, (_, type_) in enumerate(columns)]
    file = io.BytesIO()
    table = Table(arrays, names=[name for name, _ in columns])
    write_parquet(table, file, compression="zstd(3)", created_by="Clutchlight")
    return file.getvalue()


def _column(values: Sequence[object], type_: ColumnType) -> Array:
    from arro3.core import Array, DataType

    if type_ == "date":  # arro3 cannot convert Python's dates, but it converts whole numbers of days
        days = [(value - EPOCH).days if isinstance(value, dt.date) else None for value in values]
        return Array(days, type=DataType.int32()).cast(DataType.date32())
    if type_ == "text":  # a file name that is not valid Unicode stays readable, as in the CSV
        texts = [None if value is None else str(value).encode("utf-8", "backslashreplace").decode() for value in values]
        return Array(texts, type=DataType.utf8())
    return Array(values, type=DataType.int64() if type_ == "integer" else DataType.float64())
