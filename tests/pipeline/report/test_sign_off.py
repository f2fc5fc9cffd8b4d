"""Who signed an exam, as shown on the pages of later nights."""

from __future__ import annotations

import datetime as dt
import json
import logging
from pathlib import Path
from typing import Any

import pytest

from pipeline.estimate.results import Count
from pipeline.report.output_files import write_exam_files, write_overview_files
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sign_off import (
    SIGNED_JSON,
    SheetSignature,
    SignOff,
    read_sign_off,
    sheet_signature,
)
from pipeline.report.text import shelled_text
from tests.pipeline.report.example_exams import ExampleExam

SIGNED = {
    "signed": {"name": "Orla <Finch>", "role": "veterinarian", "at": "2026-05-15T07:40:12Z"},
    "result": {"shelled": {"at_least": 8, "estimate": 9, "interval90": [9, 11]}},
}


def write_signed_json(folder: Path, document: Any) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / SIGNED_JSON).write_text(json.dumps(document))
    return folder


def test_a_sign_off_is_read(tmp_path: Path) -> None:
    assert read_sign_off(tmp_path) is None
    found = read_sign_off(write_signed_json(tmp_path, SIGNED))
    assert found is not None
    assert (found.name, found.role, found.date) == ("Orla <Finch>", "veterinarian", dt.date(2026, 5, 15))
    assert found.shelled == Count(8, 9, (9, 11))
    assert shelled_text(found.shelled) == "9 shelled eggs, likely 9 to 11"


@pytest.mark.parametrize(
    "damaged",
    [
        "not at all",
        {"signed": SIGNED["signed"]},
        {**SIGNED, "signed": {"name": "A", "role": "B", "at": "yesterday"}},
        {**SIGNED, "result": {"shelled": {"at_least": 1, "estimate": 2, "interval90": [1]}}},
    ],
)
def test_a_damaged_file_is_no_sign_off_and_is_logged(
    tmp_path: Path, damaged: Any, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        assert read_sign_off(write_signed_json(tmp_path, damaged)) is None
    assert SIGNED_JSON in caplog.text


def test_the_program_s_sheet_shows_who_signed_and_links_the_signed_sheet(clutch: ExampleExam, tmp_path: Path) -> None:
    sign_off = read_sign_off(write_signed_json(tmp_path, SIGNED))
    assert isinstance(sign_off, SignOff)
    page = sheet_html(clutch.content, sheet_signature(sign_off, clutch.finding.shelled)).decode()
    assert "<b>Signed by Orla &lt;Finch&gt;</b>, veterinarian, 15 May 2026:" in page
    assert '<a href="signed.html">9 shelled eggs, likely 9 to 11</a>' in page
    assert "This sheet shows what the program found on its own." in page
    assert "Signed by" not in sheet_html(clutch.content).decode()


def test_the_signed_sheet_shows_the_changes_and_the_program_s_count(clutch: ExampleExam) -> None:
    signature = SheetSignature(
        name="Orla Finch",
        role="veterinarian",
        signed_at="15 May 2026, 07:40",
        signed_count="9 shelled eggs, likely 9 to 11",
        program_count="7 shelled eggs, likely 6 to 9",
        changes=("Orla Finch: egg 3 <b>split</b>",),
    )
    page = sheet_html(clutch.content, signature).decode()
    assert "The program found on its own: 7 shelled eggs, likely 6 to 9." in page
    assert "<li>Orla Finch: egg 3 &lt;b&gt;split&lt;/b&gt;</li>" in page
    assert 'href="signed.html"' not in page


def test_the_index_shows_who_signed_and_links_the_signed_sheet(clutch: ExampleExam, tmp_path: Path) -> None:
    folder = write_exam_files(tmp_path, *clutch.arguments)
    summary = clutch.summary
    write_overview_files(tmp_path, [summary])
    before = (tmp_path / "index.html").read_text()
    write_signed_json(folder, SIGNED)
    write_overview_files(tmp_path, [summary])
    after = (tmp_path / "index.html").read_text()
    assert "Orla" not in before
    assert "1 animal needs a vet today" in before
    assert f'<a href="{summary.folder}/signed.html">9 shelled eggs, likely 9 to 11</a>' in after
    assert "signed by Orla &lt;Finch&gt;, veterinarian, on 15 May 2026" in after
    assert "No animal was flagged for the vet today." in after  # the signed exam needs no more attention
