"""Who signed an exam, on the pages of later nights."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

import pytest

from pipeline.report.output_files import write_exam_files, write_overview_files
from pipeline.report.sheet import sheet_html
from pipeline.report.sign_off import SIGNED_JSON, SignOff, read_sign_off
from pipeline.report.summary import summarise
from tests.pipeline.report.conftest import ExampleExam

SIGNED = {
    "signed": {"name": "Orla <Finch>", "role": "veterinarian", "at": "2026-05-15T07:40:12Z"},
    "result": {"shelled": {"at_least": 8, "estimate": 9, "interval90": [9, 11]}},
}


def write_signed_json(folder: Path, document: Any) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / SIGNED_JSON).write_text(json.dumps(document))
    return folder


def test_a_signature_is_read_in_words(tmp_path: Path) -> None:
    assert read_sign_off(tmp_path) is None
    found = read_sign_off(write_signed_json(tmp_path, SIGNED))
    assert found is not None
    assert (found.name, found.role, found.day) == ("Orla <Finch>", "veterinarian", "15 May 2026")
    assert (found.count, found.interval) == ("9 shelled eggs", "between 9 and 11 likely")


@pytest.mark.parametrize(
    "damaged",
    [
        "not at all",
        {"signed": SIGNED["signed"]},
        {**SIGNED, "signed": {"name": "A", "role": "B", "at": "yesterday"}},
        {**SIGNED, "result": {"shelled": {"at_least": 1, "estimate": 2, "interval90": [1]}}},
    ],
)
def test_a_damaged_file_is_no_signature_and_is_told(
    tmp_path: Path, damaged: Any, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        assert read_sign_off(write_signed_json(tmp_path, damaged)) is None
    assert SIGNED_JSON in caplog.text


def test_the_programs_sheet_says_who_signed_and_where(clutch: ExampleExam, tmp_path: Path) -> None:
    sign_off = read_sign_off(write_signed_json(tmp_path, SIGNED))
    assert isinstance(sign_off, SignOff)
    page = sheet_html(*clutch.arguments, sign_off).decode()
    assert "<b>Signed by Orla &lt;Finch&gt;</b>, veterinarian, on 15 May 2026: " in page
    assert '<a href="signed.html">9 shelled eggs, between 9 and 11 likely</a>' in page
    assert "Signed by" not in sheet_html(*clutch.arguments).decode()


def test_the_index_says_who_signed_and_where(clutch: ExampleExam, tmp_path: Path) -> None:
    folder = write_exam_files(tmp_path, *clutch.arguments)
    summary = summarise(clutch.exam, clutch.finding, clutch.scans)
    write_overview_files(tmp_path, [summary])
    before = (tmp_path / "index.html").read_text()
    write_signed_json(folder, SIGNED)
    write_overview_files(tmp_path, [summary])
    after = (tmp_path / "index.html").read_text()
    assert "Orla" not in before
    assert "1 animal needs a vet today" in before
    assert f'<a href="{summary.folder}/signed.html">9 shelled eggs, between 9 and 11 likely</a>' in after
    assert "signed by Orla &lt;Finch&gt;, veterinarian, on 15 May 2026" in after
    assert "No animal was flagged for the vet today." in after  # she was seen to
