"""Who signed an exam, as shown on the pages of later nights."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.estimate.results import Count
from pipeline.people.signatures import StoredSignature
from pipeline.report.output_files import write_exam_files, write_overview_files
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sign_off import SheetSignature, SignOff, sheet_signature
from pipeline.report.text import shelled_text
from tests.pipeline.report.example_exams import ExampleExam

STORED = StoredSignature(
    "Orla <Finch>", "veterinarian", "2026-05-15T07:40:12.000+00:00", False, (8, 9, 9, 11), 12, "5f" * 32
)


def test_a_sign_off_says_what_the_journal_holds() -> None:
    found = SignOff.of(STORED)
    assert (found.name, found.role, found.date) == ("Orla <Finch>", "veterinarian", dt.date(2026, 5, 15))
    assert found.shelled == Count(8, 9, (9, 11))
    assert shelled_text(found.shelled) == "9 shelled eggs, likely 9 to 11"


@pytest.mark.parametrize(
    ("logged_in", "text"),
    [(True, "Logged in with a password. "), (False, "Signed at this machine, not logged in. "), (None, "")],
)
def test_the_program_s_sheet_shows_who_signed_and_links_the_signed_sheet(
    clutch: ExampleExam, logged_in: bool | None, text: str
) -> None:
    sign_off = SignOff.of(replace(STORED, logged_in=logged_in))
    page = sheet_html(clutch.content, sheet_signature(sign_off, clutch.finding.shelled)).decode()
    assert f'<p class="soft">{text}In the record of all answers: entry 12, SHA-256 {"5f" * 32}.</p>' in page
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
        login="logged in with a password",
        chain="entry 7, SHA-256 ab",
        changes=("Orla Finch: egg 3 <b>split</b>",),
    )
    page = sheet_html(clutch.content, signature).decode()
    assert "The program found on its own: 7 shelled eggs, likely 6 to 9." in page
    assert "<li>Orla Finch: egg 3 &lt;b&gt;split&lt;/b&gt;</li>" in page
    assert 'href="signed.html"' not in page


def test_the_index_shows_who_signed_and_links_the_signed_sheet(clutch: ExampleExam, tmp_path: Path) -> None:
    write_exam_files(tmp_path, *clutch.arguments)
    summary = clutch.summary
    write_overview_files(tmp_path, [summary])
    before = (tmp_path / "index.html").read_text()
    write_overview_files(tmp_path, [summary], signed={summary.folder: SignOff.of(STORED)})
    after = (tmp_path / "index.html").read_text()
    assert "Orla" not in before
    assert "1 animal needs a vet today" in before
    assert f'<a href="{summary.folder}/signed.html">9 shelled eggs, likely 9 to 11</a>' in after
    assert "signed by Orla &lt;Finch&gt;, veterinarian, on 15 May 2026" in after
    assert "No animal was flagged for the vet today." in after  # the signed exam needs no more attention
