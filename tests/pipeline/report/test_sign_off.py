"""Who signed an exam, as shown on the pages of later nights."""

from __future__ import annotations

import csv
import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.estimate.results import Count
from pipeline.people.signatures import SignedEgg, StoredSignature
from pipeline.report.sheet_content import sheet_content
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sign_off import SignOff, sheet_signature
from pipeline.report.text import shelled_text
from pipeline.report.verdict import Signing
from pipeline.settings_tables import PageSettings
from tests.pipeline.report.example_exams import ExampleExam
from tests.pipeline.report.one_season import write_overview_files

STORED = StoredSignature(
    "Orla <Finch>", "veterinarian", "2026-05-15T07:40:12.000+00:00", False, (8, 9, 9, 11), 12, "5f" * 32
)


def test_a_sign_off_says_what_the_journal_holds() -> None:
    found = SignOff.of(STORED)
    assert (found.name, found.role, found.moment.date()) == ("Orla <Finch>", "veterinarian", dt.date(2026, 5, 15))
    assert found.shelled == Count(8, 9, (9, 11))
    assert shelled_text(found.shelled) == "9 shelled eggs, likely 9 to 11"


PAGES = PageSettings(time_zone="Europe/Dublin")


def confirmed(example: ExampleExam) -> SignOff:
    """Signed after everything was confirmed but number 3, which was rejected, and with one egg that was drawn."""
    eggs = [SignedEgg(egg.identity, "egg", egg.stage, True) for egg in example.finding.eggs]
    eggs[2] = replace(eggs[2], verdict="not-egg", is_counted=False)
    drawn = SignedEgg(99, "egg", "calcified", True)
    return SignOff.of(replace(STORED, eggs=(*eggs, drawn), stage="calcified"))


@pytest.mark.parametrize(
    ("logged_in", "text"),
    [(True, "Logged in with a password. "), (False, "Signed at this machine, not logged in. "), (None, "")],
)
def test_the_program_s_sheet_shows_who_signed_and_links_the_signed_sheet(
    clutch: ExampleExam, logged_in: bool | None, text: str
) -> None:
    sign_off = SignOff.of(replace(STORED, logged_in=logged_in))
    page = sheet_html(clutch.content, sheet_signature(sign_off, PAGES)).decode()
    assert f'<p class="muted">{text}In the record of all answers: entry 12, SHA-256 {"5f" * 32}.</p>' in page
    assert "Signed by <b>Orla &lt;Finch&gt;</b>, veterinarian, 15 May 2026, 08:40:" in page
    assert '<a href="signed.html">9 shelled eggs, likely 9 to 11</a>' in page
    assert "Signed by" not in sheet_html(clutch.content).decode()


def test_the_signed_sheet_shows_the_changes(clutch: ExampleExam) -> None:
    changes = ("Orla Finch: egg 3 <b>split</b>",)
    signature = sheet_signature(SignOff.of(STORED), PAGES, changes=changes, is_signed_sheet=True)
    page = sheet_html(clutch.content, signature).decode()
    assert "<li>Orla Finch: egg 3 &lt;b&gt;split&lt;/b&gt;</li>" in page
    assert 'href="signed.html"' not in page


def test_what_was_confirmed_has_no_range_and_no_condition(clutch: ExampleExam) -> None:
    """Seven of the eight listed objects and one that was drawn are eggs; one of them is a follicle."""
    sign_off = confirmed(clutch)
    assert (sign_off.shelled, sign_off.follicles) == (Count(7, 7, (7, 7)), Count(1, 1, (1, 1)))
    content = sheet_content(*clutch.arguments, signing=Signing(sign_off, clutch.finding.shelled))
    page = sheet_html(content, sheet_signature(sign_off, PAGES)).decode()
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page.split("<main>")[1]))
    assert "7 shelled eggs; all confirmed" in text
    assert "if every detection is right" not in text
    assert "The program found on its own: 7 shelled eggs, likely 6 to 9." in text
    assert "rejected: not an egg or follicle" in text
    assert text.count("confirmed") >= 7
    assert content.headline == "7 shelled eggs, signed"
    assert [(fact.value, fact.detail) for fact in content.facts if fact.label == "Follicles"] == [
        ("1 follicle", "1 medium; 14 mm across")
    ]
    assert [fact.value for fact in content.facts if fact.label == "Stage"] == ["calcified"]


def test_a_signature_with_open_questions_keeps_its_range(clutch: ExampleExam) -> None:
    some = replace(STORED, eggs=(SignedEgg(1, "egg", "calcified", True), SignedEgg(2, None, "calcified", True)))
    sign_off = SignOff.of(some)
    assert not sign_off.is_confirmed
    content = sheet_content(*clutch.arguments, signing=Signing(sign_off, clutch.finding.shelled))
    assert (content.verdict.figure, content.verdict.range) == ("9", "likely 9 to 11")


def test_the_index_shows_the_signed_count_largest_and_links_the_signed_sheet(
    clutch: ExampleExam, tmp_path: Path
) -> None:
    clutch.write(tmp_path)
    summary = clutch.summary
    write_overview_files(tmp_path, [summary])
    before = (tmp_path / "index.html").read_text()
    write_overview_files(tmp_path, [summary], signed={summary.folder: SignOff.of(STORED)})
    after = (tmp_path / "index.html").read_text()
    assert "Orla" not in before
    assert "1 animal needs a vet today" in before
    assert f'<td class="animal"><a href="{summary.folder}/signed.html">' in after
    assert "<b>9 shelled eggs</b>" in after
    assert "signed by Orla &lt;Finch&gt;, veterinarian" in after
    assert "The program on its own: 7 shelled eggs, likely 6 to 9" in after
    assert f'href="{summary.folder}/signed.pdf"' in after
    assert 'data-eggs="9"' in after
    assert "No animal was flagged for the vet today." in after  # the signed exam needs no more attention


def test_the_tables_have_what_was_signed(clutch: ExampleExam, empty: ExampleExam, tmp_path: Path) -> None:
    summaries = [clutch.summary, empty.summary]
    write_overview_files(tmp_path, summaries, signed={clutch.summary.folder: confirmed(clutch)})
    exams, eggs = (
        list(csv.DictReader((tmp_path / name).read_text().splitlines())) for name in ("summary.csv", "eggs.csv")
    )
    signed, unsigned = exams
    assert (signed["shelled_estimate"], signed["signed_shelled"], signed["signed_follicles"]) == ("7", "7", "1")
    assert (signed["signed_by"], signed["signed_stage"], signed["signed_all_confirmed"]) == (
        "Orla <Finch>",
        "calcified",
        "yes",
    )
    assert unsigned["signed_by"] == unsigned["signed_shelled"] == ""
    by_number = {egg["egg"]: egg for egg in eggs}
    assert [by_number[number]["verdict"] for number in ("1", "3", "99")] == ["egg", "not an egg", "egg"]
    assert [by_number[number]["signed_counted"] for number in ("1", "3", "99")] == ["yes", "no", "yes"]
    assert (by_number["99"]["stage"], by_number["99"]["signed_stage"]) == ("", "calcified")
