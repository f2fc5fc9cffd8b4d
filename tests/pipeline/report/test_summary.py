"""``summary.csv``: a row for each exam, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pipeline.report.summary import SUMMARY_COLUMNS, ExamSummary, summarise, summary_csv

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


def rows_of(summaries: list[ExamSummary]) -> list[dict[str, str]]:
    data = summary_csv(summaries)
    assert data.endswith(b"\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


@pytest.fixture
def summaries(example_exams: tuple[ExampleExam, ...]) -> list[ExamSummary]:
    return [example.summary for example in example_exams]


def test_one_row_for_each_exam_by_animal(summaries: list[ExamSummary]) -> None:
    rows = rows_of(summaries[::-1])
    assert [row["animal"] for row in rows] == ["AF-0412", "AF-0413", "AF-0414", "AF-0415"]
    assert list(rows[0]) == [column.name for column in SUMMARY_COLUMNS]
    assert rows[0]["shelled_estimate"] == "7"
    assert (rows[0]["shelled_low90"], rows[0]["shelled_high90"]) == ("6", "9")
    assert rows[0]["clips_refused"] == "1"
    assert rows[0]["flags_vet_today"] == "large-egg"
    assert rows[0]["report"] == "AF-0412/2026-05-14/report.html"


def test_the_change_since_an_earlier_exam_has_its_columns(returning: ExampleExam, clutch: ExampleExam) -> None:
    first, again = rows_of([example.summary for example in (clutch, returning)])
    assert (again["days_since_exam_before"], again["shelled_fewer"]) == ("6", "4")
    assert (again["shelled_fewer_low90"], again["shelled_fewer_high90"]) == ("2", "5")
    assert (again["eggs_passed_of_clutch"], again["days_since_shells_first_seen"]) == ("3", "24")
    assert first["shelled_fewer"] == first["days_since_exam_before"] == ""


def test_not_scanned_is_not_zero(summaries: list[ExamSummary]) -> None:
    rows = {row["animal"]: row for row in rows_of(summaries)}
    assert rows["AF-0413"]["seen"] == "none seen"
    assert rows["AF-0413"]["shelled_estimate"] == "0"
    assert rows["AF-0414"]["seen"] == "not scanned"
    assert rows["AF-0414"]["shelled_estimate"] == ""
    assert rows["AF-0414"]["stage"] == ""


@pytest.mark.parametrize(
    "name", ["=1+1", "+cmd", "-2", "@SUM(A1)", " =1", "\t=1", "\uff1d1", "\r=1", "\u200b=1", "\0@A"]
)
def test_a_name_is_never_a_formula(clutch: ExampleExam, name: str) -> None:
    exam = replace(clutch.exam, animal=name, species=name)
    data = summary_csv([summarise(exam, clutch.finding, clutch.scans)]).decode()
    row = next(csv.DictReader(io.StringIO(data, newline="")))
    assert row["animal"] == f"'{name}"
    assert row["species"] == f"'{name}"


def test_quotes_commas_and_umlauts_survive(clutch: ExampleExam) -> None:
    name = 'Möwe, "die, alte"'
    exam = replace(clutch.exam, animal=name)
    assert rows_of([summarise(exam, clutch.finding, clutch.scans)])[0]["animal"] == name
