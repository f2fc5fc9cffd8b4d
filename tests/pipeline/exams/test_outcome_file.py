"""Outcomes as CSV: what is read, and every mistake named by line and column."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.exams.outcome_file import OutcomeError, new_outcomes, parse_outcome, read_outcomes
from pipeline.exams.outcomes import Outcome

TODAY = dt.date(2026, 6, 30)
LAID = Outcome("AF-0412", "laid", dt.date(2026, 5, 20), 8, "K. Sedge", "two broken", False)


def read(tmp_path: Path, text: str) -> list[Outcome]:
    path = tmp_path / "outcomes.csv"
    path.write_bytes(text.encode())
    return read_outcomes(path, today=TODAY)


@pytest.mark.parametrize(
    "text",
    [
        'animal,outcome,date,number,who,note\nAF-0412,laid,2026-05-20,8,K. Sedge,"two\nbroken"\n',
        "\ufeffNote;Who;Number;Date;Outcome;Animal;Withdrawn\r\ntwo broken;K. Sedge;8;2026-05-20;Laid;AF-0412;\r\n\r\n",
    ],
    ids=["commas", "semicolons of a spreadsheet"],
)
def test_row_is_read(tmp_path: Path, text: str) -> None:
    assert read(tmp_path, text) == [LAID]


def test_optional_columns_may_be_missing(tmp_path: Path) -> None:
    rows = "animal,outcome,date\nAF-0412,hatched,2026-06-20\n"
    assert read(tmp_path, rows) == [Outcome("AF-0412", "hatched", dt.date(2026, 6, 20), None)]


def test_all_mistakes_are_named_at_once(tmp_path: Path) -> None:
    text = (
        "animal,outcome,date,number,withdrawn\n"
        'AF-0412,laid,2026-05-20,8,\n"AF-0413\n",laid,2026-05-20,8,\n'
        "AF-0412,eaten,2026-05-20,8,\n\nAF-0412,laid,20.5.2026,8,\nAF-0412,laid,2026-07-01,8,\n"
        "AF-0412,laid,2026-05-20,about 8,\nAF-0412,laid,2026-05-20,8,maybe\nAF/0412,laid,2026-05-20,8,\n"
        "AF-0412,laid,2026-05-20,8,,more\n"
    )
    with pytest.raises(OutcomeError) as caught:
        read(tmp_path, text)
    path = tmp_path / "outcomes.csv"
    assert str(caught.value).splitlines() == [
        f"{path}, line 5, column 'outcome': expected one of laid, radiograph, surgery, hatched, got 'eaten'.",
        f"{path}, line 7, column 'date': expected a date like 2026-05-14, got '20.5.2026'.",
        f"{path}, line 8, column 'date': 2026-07-01 is in the future; today is 2026-06-30.",
        f"{path}, line 9, column 'number': expected a whole number from 0 to 1000, got 'about 8'.",
        f"{path}, line 10, column 'withdrawn': expected yes or nothing, got 'maybe'.",
        f"{path}, line 11, column 'animal': the id 'AF/0412' holds one of / \\ : * ? \" < > |.",
        f"{path}, line 12: 6 cells, but the header names 5 columns.",
    ]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("animal,date", "line 1, column 'outcome': missing"),
        ("animal,outcome,date,nummber", "column 'nummber': unknown; did you mean 'number'?"),
        ("animal,outcome,date,weather", "column 'weather': unknown; the columns are animal, outcome"),
        ("animal,outcome,date,date", "column 'date': appears twice"),
        ("", "line 1, column 'animal': missing"),
    ],
)
def test_wrong_column_is_named(tmp_path: Path, header: str, message: str) -> None:
    with pytest.raises(OutcomeError) as caught:
        read(tmp_path, f"{header}\n")
    assert message in str(caught.value)


def test_files_that_are_not_text_are_named(tmp_path: Path) -> None:
    path = tmp_path / "outcomes.csv"
    with pytest.raises(OutcomeError, match=r"outcomes\.csv: cannot be read"):
        read_outcomes(path, today=TODAY)
    path.write_bytes(b"animal,outcome,date\nAF-0412,laid,2026-05-20\n\xff\n")
    with pytest.raises(OutcomeError, match="line 3: not UTF-8"):
        read_outcomes(path, today=TODAY)


def test_single_outcome_from_the_command_line() -> None:
    cells = {"animal": "AF-0412", "outcome": "laid", "date": "2026-05-20", "number": "8"}
    assert parse_outcome(cells, today=TODAY).number == 8
    with pytest.raises(OutcomeError, match=r"^number: expected a whole number from 0 to 1000, got '-1'\.$"):
        parse_outcome({**cells, "number": "-1"}, today=TODAY)


def test_known_rows_do_not_undo_a_correction() -> None:
    corrected = Outcome("AF-0412", "laid", LAID.date, 7)
    newer = Outcome("AF-0412", "laid", dt.date(2026, 6, 20), 5)
    assert new_outcomes([LAID, newer, newer], [LAID, corrected]) == [newer]
