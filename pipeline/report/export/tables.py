"""Tables over all exams: ``eggs.csv``, and animals and eggs as Parquet for statistics software.

``summary.csv`` and ``animals.parquet`` have the same columns and a row for each exam: what the program found, and what
was signed. ``eggs.csv`` and ``eggs.parquet``
have a row for each egg or follicle. Parquet is written by arro3, the smallest library that writes it (34 MB on disk
with its core and no other dependency; DuckDB 69, fastparquet with pandas 97, pyarrow 170, measured on Linux). The same
rows give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from pipeline.estimate.results import EggFinding
from pipeline.people.signatures import SignedEgg
from pipeline.report.export.result import round_mm, round_probability
from pipeline.report.sightings import sorted_sightings
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import SUMMARY_COLUMNS, ColumnType, ExamSummary, csv_bytes, sorted_summaries, summary_row

if TYPE_CHECKING:
    from arro3.core import Array

__all__ = ["EGG_COLUMNS", "animals_parquet", "eggs_csv", "eggs_parquet"]

SignOffs = Mapping[str, SignOff]
NOBODY: SignOffs = MappingProxyType({})
EPOCH = dt.date(1970, 1, 1)  # day 0 of Parquet's dates


@dataclass(frozen=True)
class EggColumn:
    """A column of the table of eggs. type : of its values, None if missing

    exam : of the exam;  found : of an egg that the program listed;  signed : of an object as it was signed
    """

    name: str
    type: ColumnType
    exam: Callable[[ExamSummary], object] | None = None
    found: Callable[[EggFinding], object] | None = None
    signed: Callable[[SignedEgg, SignOff], object] | None = None

    def value(
        self, summary: ExamSummary, egg: EggFinding | None, signed: SignedEgg | None, sign_off: SignOff | None
    ) -> object:
        if self.exam is not None:
            return self.exam(summary)
        if self.found is not None:
            return None if egg is None else self.found(egg)
        return None if self.signed is None or signed is None or sign_off is None else self.signed(signed, sign_off)


VERDICTS = {"egg": "egg", "not-egg": "not an egg", "uncertain": "cannot tell"}


def _end(range_mm: tuple[float, float] | None, which: int) -> float | None:
    return None if range_mm is None else round_mm(range_mm[which])


def _probability(value: float | None) -> float | None:
    return None if value is None else round_probability(value)


def _sign(egg: EggFinding, sign: str) -> float | None:
    """A measured sign of a shell, rounded to 0.1 dB or mm; None if it could not be measured."""
    value = None if egg.signs is None else getattr(egg.signs, sign)
    return None if value is None else round(float(value), 1)


EGG_COLUMNS = (
    EggColumn("animal", "text", exam=lambda exam: exam.exam.animal),
    EggColumn("exam_date", "date", exam=lambda exam: exam.exam.date),
    EggColumn("species", "text", exam=lambda exam: exam.exam.species),
    EggColumn("egg", "integer"),
    EggColumn("stage", "text", found=lambda egg: egg.stage),
    EggColumn("stage_probability", "float", found=lambda egg: round_probability(egg.stage_probability)),
    EggColumn("confidence", "float", found=lambda egg: round_probability(egg.confidence)),
    EggColumn("shape", "text", found=lambda egg: egg.shape),
    EggColumn("length_mm", "float", found=lambda egg: round_mm(egg.length_mm)),
    EggColumn("width_mm", "float", found=lambda egg: round_mm(egg.width_mm)),
    EggColumn("length_low90_mm", "float", found=lambda egg: _end(egg.length_interval90_mm, 0)),
    EggColumn("length_high90_mm", "float", found=lambda egg: _end(egg.length_interval90_mm, 1)),
    EggColumn("width_low90_mm", "float", found=lambda egg: _end(egg.width_interval90_mm, 0)),
    EggColumn("width_high90_mm", "float", found=lambda egg: _end(egg.width_interval90_mm, 1)),
    EggColumn("oval_probability", "float", found=lambda egg: _probability(egg.oval_probability)),
    EggColumn("wall_db", "float", found=lambda egg: _sign(egg, "rim_db")),
    EggColumn("wall_mm", "float", found=lambda egg: _sign(egg, "rim_mm")),
    EggColumn("shadow_db", "float", found=lambda egg: _sign(egg, "shadow_db")),
    EggColumn("inside", "text", found=lambda egg: egg.signs and egg.signs.interior),
    EggColumn("depth_mm", "float", found=lambda egg: round_mm(egg.depth_mm)),
    EggColumn("times_seen", "integer", found=lambda egg: len(egg.sightings)),
    EggColumn("clips", "text", found=lambda egg: "; ".join(dict.fromkeys(s.clip for s in sorted_sightings(egg)))),
    EggColumn("verdict", "text", signed=lambda egg, _: VERDICTS.get(egg.verdict or "", "not answered")),
    EggColumn("signed_stage", "text", signed=lambda egg, _: egg.stage if egg.is_counted else None),
    EggColumn("signed_counted", "text", signed=lambda egg, _: "yes" if egg.is_counted else "no"),
    EggColumn("signed_by", "text", signed=lambda _, sign_off: sign_off.name),
    EggColumn("report", "text", exam=lambda exam: f"{exam.folder}/report.html"),
)


def eggs_csv(summaries: Sequence[ExamSummary], signed: SignOffs = NOBODY) -> bytes:
    """A row for each egg, by animal, date and number, in the format of ``summary.csv``. signed : by exam folder

    Objects that people drew, split off or confirmed although the program did not count them have rows, too.
    """
    return csv_bytes([column.name for column in EGG_COLUMNS], _egg_rows(summaries, signed))


def eggs_parquet(summaries: Sequence[ExamSummary], signed: SignOffs = NOBODY) -> bytes:
    """The rows of ``eggs.csv`` with their types: text, integers, floats, dates."""
    return _parquet([(column.name, column.type) for column in EGG_COLUMNS], _egg_rows(summaries, signed))


def animals_parquet(summaries: Sequence[ExamSummary], signed: SignOffs = NOBODY) -> bytes:
    """The rows of ``summary.csv`` with their types."""
    rows = [summary_row(summary, signed.get(summary.folder)) for summary in sorted_summaries(summaries)]
    return _parquet([(column.name, column.type) for column in SUMMARY_COLUMNS], rows)


def _egg_rows(summaries: Sequence[ExamSummary], signed: SignOffs) -> list[list[object]]:
    rows = []
    for summary in sorted_summaries(summaries):
        sign_off = signed.get(summary.folder)
        answered = sign_off.by_number if sign_off else {}
        eggs = {egg.identity: egg for egg in summary.finding.eggs}
        added = {number for number, egg in answered.items() if egg.is_counted}
        for number in sorted(eggs.keys() | added):
            values = eggs.get(number), answered.get(number), sign_off
            rows.append([number if column.name == "egg" else column.value(summary, *values) for column in EGG_COLUMNS])
    return rows


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
