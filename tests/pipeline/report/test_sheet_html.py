"""The sheet as a page: cautions, sentences, pictures, and nothing that leaves the page."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.estimate.results import Flag
from pipeline.report.sheet_html import sheet_html
from pipeline.settings_tables import PageSettings

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

CAUTIONS = (
    "not a diagnostic device",
    "known to miss eggs",
    "does not mean none",
    "radiograph remains the reference for the number of eggs",
    "licensed veterinary staff under local wildlife rules",
    "not a laying clock",
)


class Page(HTMLParser):
    """Tags, attributes and visible text of a page."""

    def __init__(self, data: bytes) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.inside: list[str] = []
        self.feed(data.decode())
        self.text = re.sub(r"\s+", " ", "".join(self.words))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" not in self.inside:
            self.words.append(data)


def page_of(example: ExampleExam) -> Page:
    return Page(sheet_html(example.content))


def test_every_sheet_carries_the_cautions(example_exams: tuple[ExampleExam, ...]) -> None:
    for example in example_exams:
        for caution in CAUTIONS:
            assert caution in page_of(example).text


def test_the_sheet_of_a_clutch(clutch: ExampleExam) -> None:
    text = page_of(clutch).text
    assert re.search(r"7\s+shelled eggs; likely 6 to 9", text)
    assert "At least 5" in text
    assert "Both windows scanned".lower() in text.lower()
    assert "6 calcified, 1 thin-shelled, 1 follicle" in text
    assert "refused: the file ends in the middle of a frame" in text


def test_the_most_urgent_flag_comes_first(clutch: ExampleExam) -> None:
    text = page_of(clutch).text
    places = [text.index(severity) for severity in ("vet today", "check", "note")]
    assert all(a < b for a, b in pairwise(places))


def test_none_seen_is_never_none(empty: ExampleExam) -> None:
    text = page_of(empty).text
    assert "none seen" in text
    assert "one may still be there" in text
    assert "“None seen” does not mean none" in text
    assert not re.search(r"\b0 (shelled )?eggs?\b", text)


def test_follicles_only_says_how_sure_it_is_and_how_well_she_was_scanned(follicles: ExampleExam) -> None:
    text = page_of(follicles).text
    assert re.search(r"follicles only\s+No shelled egg seen; one may still be there", text)
    assert "91 % sure that the sweeps crossed follicles and no shelled egg. Scanned: left window only; 1 clip;" in text
    assert "None seen is never none" in text
    assert follicles.content.headline == "follicles only; no shelled egg seen"


def test_follicles_have_size_classes_alone_and_beside_eggs(follicles: ExampleExam, clutch: ExampleExam) -> None:
    for example, number in ((follicles, 3), (clutch, 1)):
        text = page_of(example).text
        assert re.search(r"likely \d to \d; (2 medium, 1 large; 14 to 15|1 medium; 14) mm across", text)
        assert text.count("Follicles by diameter: small under 8 mm") == 1
        assert sum(bool(egg.appearance) for egg in example.content.eggs if egg.stage == "follicle") == number
    assert "strong shell, no yolk to be seen" in page_of(clutch).text


def test_an_exam_without_a_usable_clip_makes_no_statement_about_eggs(refused: ExampleExam) -> None:
    text = page_of(refused).text
    assert "not scanned" in text
    assert "none seen" not in text.replace("“none seen” does not mean none", "")
    assert "it has no frames" in text


def test_no_millimetres_without_a_scale(without_scale: ExampleExam) -> None:
    text = page_of(without_scale).text
    assert text.count("size unknown: no scale") == 2
    assert "mm deep" not in text
    assert not re.search(r"\d mm\b(?! deep)", text.replace("152 × 118 mm", ""))  # noqa: RUF001


def test_the_reason_for_rejecting_a_scale_is_shown_with_the_clip(clutch: ExampleExam) -> None:
    first, *others = clutch.scans
    note = "its header gives pixels of 9 x 9 mm, which no scanner makes"
    unknown = replace(first, mm_per_px=None, scale_source="unknown", scale_note=note)
    assert f"read. No scale: {note}." in page_of(replace(clutch, scans=(unknown, *others))).text
    broken = replace(first, mm_per_px=0.2, scale_note=note, reason="only the first 7 frames could be read.")
    text = page_of(replace(clutch, scans=(broken, *others))).text
    assert f"only the first 7 frames could be read. Scale: {note}." in text


def test_one_outlined_picture_for_each_egg(clutch: ExampleExam) -> None:
    page = page_of(clutch)
    assert page.tags.count("img") == len(clutch.finding.eggs)
    alternatives = [str(value) for key, value in page.attributes if key == "alt"]
    assert alternatives[6].startswith("Ultrasound picture of number 7, thin-shelled")


def test_a_missing_picture_is_mentioned(clutch: ExampleExam) -> None:
    scans = tuple(replace(scan, pictures={}) for scan in clutch.scans)
    page = page_of(replace(clutch, scans=scans))
    assert "img" not in page.tags
    assert page.text.count("no picture kept") == len(clutch.finding.eggs)


def test_the_page_is_self_contained(example_exams: tuple[ExampleExam, ...]) -> None:
    for example in example_exams:
        page = page_of(example)
        assert "script" not in page.tags
        for key, value in page.attributes:
            if key in ("src", "href"):
                assert str(value).startswith(("data:", "#"))
        assert "url(http" not in sheet_html(example.content).decode()


@pytest.mark.parametrize("place", ["animal", "species", "file", "reason", "flag", "model"])
def test_names_are_text_not_markup(clutch: ExampleExam, place: str) -> None:
    markup = "<img src=x onerror=alert(1)>\"'&"
    example = clutch
    change: dict[str, Any] = {place: markup}
    if place in ("animal", "species"):
        example = replace(clutch, exam=replace(clutch.exam, **change))
    elif place in ("file", "reason"):
        example = replace(clutch, scans=(*clutch.scans[:2], replace(clutch.scans[2], **change)))
    elif place == "flag":
        example = replace(clutch, finding=replace(clutch.finding, flags=(Flag("x", "check", markup),)))
    else:
        example = replace(clutch, model=replace(clutch.model, name=markup))
    page = page_of(example)
    assert markup in page.text
    assert page.tags.count("img") == len(clutch.finding.eggs)


def test_numbers_have_the_decimal_mark_of_the_settings(without_scale: ExampleExam, tmp_path: Path) -> None:
    heavy = replace(without_scale, exam=replace(without_scale.exam, weight_g=830.5))
    for mark, weight, time in ((".", "830.5 g", "1.1 s"), (",", "830,5 g", "1,1 s")):
        folder = replace(heavy, pages=PageSettings(decimal_mark=mark)).write(tmp_path)
        page = (folder / "report.html").read_text()
        assert weight in page
        assert time in page
        assert '"confidence": 0.88' in (folder / "result.json").read_text()


def test_sources_stand_in_a_fold_and_nowhere_else(returning: ExampleExam) -> None:
    page = sheet_html(returning.content).decode()
    before, fold = page.split('<details class="sources">')
    assert "Zuffi 1998" in fold
    assert "Zuffi" not in before
    assert "from memory" not in before


def test_who_scanned_is_on_the_sheet(clutch: ExampleExam) -> None:
    text = page_of(replace(clutch, exam=replace(clutch.exam, scanned_by="Bram Heron"))).text
    assert re.search(r"Scanned by\s*Bram Heron", text)


def test_the_same_exam_gives_the_same_bytes(clutch: ExampleExam) -> None:
    shuffled = replace(clutch, scans=clutch.scans[::-1])
    assert sheet_html(shuffled.content) == sheet_html(clutch.content)


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2."""
    digits = colour.lstrip("#")
    digits = digits if len(digits) == 6 else "".join(2 * digit for digit in digits)
    channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_has_enough_contrast(clutch: ExampleExam) -> None:
    """WCAG 2.2 success criterion 1.4.3 (AA): 4.5 to 1 for text."""
    style = sheet_html(clutch.content).decode()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6});", style))
    pairs = [(colours[ink], colours["paper"]) for ink in ("ink", "muted", "green")] + [("#ffffff", "#7d1a12")]
    for one, other in pairs:
        light, dark = sorted((luminance(one), luminance(other)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5
