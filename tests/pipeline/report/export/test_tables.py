"""The tables of eggs and animals: CSV and Parquet with the same rows."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from arro3.core import DataType
from arro3.io import read_parquet

from pipeline.estimate.results import EggFinding
from pipeline.report.export.tables import EGG_COLUMNS, animals_parquet, eggs_csv, eggs_parquet
from pipeline.report.summary import SUMMARY_COLUMNS, ExamSummary, summary_csv

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


@pytest.fixture
def summaries(example_exams: tuple[ExampleExam, ...]) -> list[ExamSummary]:
    return [example.summary for example in example_exams]


def csv_rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def parquet_rows(data: bytes) -> list[dict[str, Any]]:
    table = read_parquet(data).read_all()
    columns = {name: table.column(name).to_pylist() for name in table.column_names}
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def csv_text(value: object) -> str:
    return "" if value is None else value.isoformat() if isinstance(value, dt.date) else str(value)


def with_first_egg(summary: ExamSummary, egg: EggFinding) -> ExamSummary:
    return replace(summary, finding=replace(summary.finding, eggs=(egg, *summary.finding.eggs[1:])))


def test_a_row_for_each_egg_of_the_night(summaries: list[ExamSummary], clutch: ExampleExam) -> None:
    rows = csv_rows(eggs_csv(summaries[::-1]))
    assert list(rows[0]) == [column.name for column in EGG_COLUMNS]
    assert [(row["animal"], row["egg"]) for row in rows] == [
        *(("AF-0412", str(k + 1)) for k in range(8)),
        ("AF-0415", "1"),
        ("AF-0415", "2"),
    ]
    egg = clutch.finding.eggs[0]
    assert rows[0]["stage"] == "calcified"
    for name in ("length_mm", "width_mm", "depth_mm"):
        assert float(rows[0][name]) == pytest.approx(getattr(egg, name), abs=0.051)
    assert float(rows[0]["stage_probability"]) == pytest.approx(egg.stage_probability, abs=0.00051)
    assert egg.length_interval90_mm is not None
    assert float(rows[0]["length_high90_mm"]) == pytest.approx(egg.length_interval90_mm[1], abs=0.051)
    assert (rows[0]["wall_db"], rows[0]["shadow_db"], rows[0]["inside"]) == ("19.0", "21.0", "dark, even")
    assert rows[7]["wall_mm"] == ""  # a follicle's wall has no thickness
    assert rows[0]["times_seen"] == "2"
    assert rows[0]["clips"] == "left-1.mp4; right-1.mp4"
    assert rows[0]["exam_date"] == "2026-05-14"
    assert rows[-1]["length_mm"] == rows[-1]["depth_mm"] == ""


def test_parquet_has_the_values_of_the_csv(summaries: list[ExamSummary]) -> None:
    for data, text in (
        (animals_parquet(summaries), summary_csv(summaries)),
        (eggs_parquet(summaries), eggs_csv(summaries)),
    ):
        stored = [{name: csv_text(value) for name, value in row.items()} for row in parquet_rows(data)]
        assert stored == csv_rows(text)


def test_parquet_has_types(summaries: list[ExamSummary]) -> None:
    animals = read_parquet(animals_parquet(summaries)).schema
    eggs = read_parquet(eggs_parquet(summaries)).schema
    assert list(animals.names) == [column.name for column in SUMMARY_COLUMNS]
    for schema in (animals, eggs):
        assert schema.field("animal").type == DataType.utf8()
        assert schema.field("exam_date").type == DataType.date32()
        assert schema.field("confidence").type == DataType.float64()
    assert animals.field("shelled_estimate").type == DataType.int64()
    assert eggs.field("egg").type == DataType.int64()


def test_a_night_without_eggs_has_the_same_columns(summaries: list[ExamSummary]) -> None:
    for some in ([], summaries[1:2]):
        assert eggs_csv(some).decode().count("\r\n") == 1
        assert parquet_rows(eggs_parquet(some)) == []
        assert read_parquet(eggs_parquet(some)).schema == read_parquet(eggs_parquet(summaries)).schema
    assert read_parquet(animals_parquet([])).schema == read_parquet(animals_parquet(summaries)).schema


def test_the_same_night_is_the_same_table(summaries: list[ExamSummary]) -> None:
    assert eggs_parquet(summaries) == eggs_parquet(summaries[::-1])
    assert animals_parquet(summaries) == animals_parquet(summaries[::-1])


def test_an_unknown_size_is_missing(summaries: list[ExamSummary]) -> None:
    egg = replace(summaries[0].finding.eggs[0], length_mm=float("nan"), depth_mm=None)
    first = with_first_egg(summaries[0], egg)
    assert parquet_rows(eggs_parquet([first]))[0]["length_mm"] is None
    assert csv_rows(eggs_csv([first]))[0]["length_mm"] == csv_rows(eggs_csv([first]))[0]["depth_mm"] == ""


def test_formulas_and_invalid_file_names_are_harmless(summaries: list[ExamSummary]) -> None:
    egg = summaries[0].finding.eggs[0]
    sighting = replace(egg.sightings[0], clip="\udcff.mp4")
    odd = with_first_egg(summaries[0], replace(egg, sightings=(sighting,)))
    odd = replace(odd, exam=replace(odd.exam, species="=cmd()"))
    row = csv_rows(eggs_csv([odd]))[0]
    assert row["species"] == "'=cmd()"
    stored = parquet_rows(eggs_parquet([odd]))[0]
    assert stored["species"] == "=cmd()"  # no program runs the text of a Parquet file
    assert stored["clips"] == row["clips"] == "\\udcff.mp4"
