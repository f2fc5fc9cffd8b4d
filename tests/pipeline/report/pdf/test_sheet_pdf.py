"""The printed sheet: all text, pictures large enough to judge, lines within the margins, on as many pages as needed."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from pipeline.estimate.results import Count, Flag, History
from pipeline.formatting import EN_DASH, MULTIPLICATION_SIGN
from pipeline.report.pdf.egg_grid import picture_width
from pipeline.report.pdf.page_flow import WIDTH
from pipeline.report.pdf.sheet_pdf import sheet_pdf
from pipeline.report.pdf.text_style import GREEN, MUTED, RED, TEXT_COLOUR, WHITE
from pipeline.report.sheet_content import CAUTIONS
from pipeline.track.probe_course import ProbeTurn, straight_course
from tests.pipeline.report.example_exams import eggs_of, make_scan, refused_scan

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

ORDER = ("What to do", "How well she was scanned", "Best view", "When each egg was in view", "Recordings", "Limits of")
MM_PER_POINT = 25.4 / 72


def text_of(pdf: bytes) -> str:
    """All text, in the order in which it was drawn."""
    pages = pypdfium2.PdfDocument(pdf)
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_bounded() for page in pages))


def pdf_of(example: ExampleExam) -> bytes:
    return sheet_pdf(example.content)


def objects_in(pdf: bytes) -> list[pypdfium2.PdfObject]:
    return [thing for page in pypdfium2.PdfDocument(pdf) for thing in page.get_objects()]


def number_of(pdf: bytes, kind: int) -> int:
    return sum(thing.type == kind for thing in objects_in(pdf))


@pytest.fixture(scope="session")
def crowded(clutch: ExampleExam) -> ExampleExam:
    """Many pages: 90 eggs, ten clips of which nine are refused with long reasons, and 20 flags."""
    rng = np.random.default_rng(45)
    stages = ["calcified", "thin-shelled", "follicle"]
    scan = make_scan(rng, "left-1.mp4", "left", stages)
    why = "the file ends in the middle of a frame; copy it again from the scanner, and look at its cable and its card"
    scans = (scan, *(refused_scan(f"right-{k}-{'of-the-second-visit-' * 3}.mp4", why) for k in range(9)))
    flags = tuple(Flag(f"flag-{k}", "check", f"Reason {k} for which a person should look. " * 3) for k in range(20))
    three = eggs_of((scan,), stages, rng)
    eggs = tuple(replace(three[k % 3], identity=k + 1) for k in range(90))
    finding = replace(clutch.finding, shelled=Count(58, 60, (57, 64)), flags=flags, eggs=eggs)
    return replace(clutch, finding=finding, scans=scans)


@pytest.fixture(scope="session")
def crowded_pdf(crowded: ExampleExam) -> bytes:
    return pdf_of(crowded)


@pytest.fixture(scope="session")
def clutch_pdf(clutch: ExampleExam) -> bytes:
    return pdf_of(clutch)


def test_the_text_of_the_sheet(clutch: ExampleExam, clutch_pdf: bytes) -> None:
    text = text_of(clutch_pdf)
    for expected in (
        "AF-0412", "Emys orbicularis", "14 May 2026", f"152 {MULTIPLICATION_SIGN} 118 mm",
        "7 shelled eggs; likely 6 to 9", "At least 5 if every detection is right. 82 % sure",
        "vet today Egg 3 is wider than eggs of this species usually are.", "check A follicle was seen",
        "note One of three clips could not be read.", "Both windows scanned", "3 clips, 1 refused",
        "Calcified (93 %)", "6 calcified, 1 thin-shelled, 1 follicle", "1 follicle", "refused: the file ends",
        "alder-1", "page 1 of 2", "wall over 19 dB", "“Sure it is one egg” is the probability",
    ):  # fmt: skip
        assert expected in text
    places = [text.index(title) for title in ORDER]
    assert all(a < b for a, b in pairwise(places))
    for egg in clutch.finding.eggs:
        size = rf"{egg.length_mm:.0f} \(\d+.\d+\) {MULTIPLICATION_SIGN} {egg.width_mm:.0f} \(\d+.\d+\) mm"
        assert re.search(rf"{size} {egg.shape}, \d+ mm deep \d+ % sure it is one", text)


def test_every_sheet_carries_the_cautions(example_exams: tuple[ExampleExam, ...], crowded_pdf: bytes) -> None:
    for pdf in (*map(pdf_of, example_exams), crowded_pdf):
        text = text_of(pdf)
        assert all(caution in text for caution in CAUTIONS)


def test_every_page_says_what_it_is_and_is_not(crowded_pdf: bytes) -> None:
    pages = pypdfium2.PdfDocument(crowded_pdf)
    assert len(pages) > 3
    for number, page in enumerate(pages, 1):
        text = page.get_textpage().get_text_bounded()
        assert f"page {number} of {len(pages)}" in text
        assert "AF-0412" in text
        assert "Not a diagnostic device" in text


def test_pictures_are_large_enough_and_none_is_left_out(clutch_pdf: bytes, crowded_pdf: bytes) -> None:
    for pdf, eggs in ((clutch_pdf, 8), (crowded_pdf, 90)):
        pictures = [thing for thing in objects_in(pdf) if thing.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]
        assert len(pictures) == eggs
        for picture in pictures:
            left, _, right, _ = picture.get_bounds()
            assert MM_PER_POINT * (right - left) >= 40
    assert MM_PER_POINT * picture_width(WIDTH) >= 40


def test_all_flags_and_clips_are_printed(crowded: ExampleExam, crowded_pdf: bytes) -> None:
    text = text_of(crowded_pdf)
    assert all(f"Reason {k} for which a person should look." in text for k in range(20))
    assert text.count("refused: the file ends") == 9


def test_what_was_not_counted_is_printed_with_its_picture_also_where_none_was_seen(uncertain: ExampleExam) -> None:
    pdf = pdf_of(uncertain)
    text = text_of(pdf)
    assert "none seen No shelled egg was seen" in text
    assert "1 uncertain object not counted: see the picture." in text
    assert "Uncertain, not counted a person decides" in text
    assert "may be a follicle 31 % sure it is one right-1.mp4, frames 8 to 47" in text
    assert number_of(pdf, pypdfium2.raw.FPDF_PAGEOBJ_IMAGE) == 1


def test_her_other_exams(returning: ExampleExam) -> None:
    pdf = pdf_of(returning)
    text = text_of(pdf)
    for expected in (
        "Change since her last exam 2 to 5 fewer shelled eggs than on 8 May 2026",
        f"14 May 2026 4 (4{EN_DASH}6) none seen (0{EN_DASH}1) calcified 3",
        "1 May 2026 not scanned",
        "dot: shelled eggs",
        "check Shells were first seen 24 days ago. A vet may want to see her.",
    ):
        assert expected in text
    finding = replace(returning.finding, history=History())
    alone = number_of(pdf_of(replace(returning, finding=finding)), pypdfium2.raw.FPDF_PAGEOBJ_PATH)
    # For four exams a dot and a range of shelled eggs, for two a ring and a range of follicles, and a triangle.
    assert number_of(pdf, pypdfium2.raw.FPDF_PAGEOBJ_PATH) - alone >= 2 * 4 + 3 * 2 + 1


def test_none_seen_and_not_scanned(empty: ExampleExam, refused: ExampleExam) -> None:
    assert "No shelled egg was seen; one may still be there “None seen” does not mean none" in text_of(pdf_of(empty))
    text = text_of(pdf_of(refused))
    assert "not scanned No recording of this exam could be used" in text
    assert "Stage" not in text
    assert "not a video: it begins like a text file" in text


def test_the_same_exam_is_the_same_bytes(clutch: ExampleExam, clutch_pdf: bytes) -> None:
    assert pdf_of(clutch) == clutch_pdf


def test_the_sweep_plot_is_lines(clutch: ExampleExam, clutch_pdf: bytes) -> None:
    unseen = replace(clutch, finding=replace(clutch.finding, eggs=()))
    sightings = sum(len(egg.sightings) for egg in clutch.finding.eggs)
    paths = pypdfium2.raw.FPDF_PAGEOBJ_PATH
    assert number_of(clutch_pdf, paths) - number_of(pdf_of(unseen), paths) > 2 * sightings


@pytest.mark.parametrize("turned", [False, True])
def test_the_hint_of_the_sweep_plot_fits_the_page(clutch: ExampleExam, turned: bool) -> None:
    """Its last words are a caution: without a known direction the ends of the map may be swapped."""
    turns = (ProbeTurn(10.0, 0.9),) if turned else ()
    scans = tuple(
        replace(scan, tracks=replace(scan.tracks, courses=(replace(straight_course(scan.frames), turns=turns),)))
        for scan in clutch.scans
    )
    exam = replace(clutch.exam, clips=tuple(replace(clip, hand=None) for clip in clutch.exam.clips))
    text = text_of(pdf_of(replace(clutch, exam=exam, scans=scans)))
    assert "not to scale, ends may be swapped" in text
    assert ("broken line: turn" in text) == turned


@pytest.mark.parametrize("name", ["Łucja Źdźbło", "Ζωή", "Черепаха", "İpek Ğ", "Nguyễn"])
def test_names_of_many_languages(clutch: ExampleExam, name: str) -> None:
    exam = replace(clutch.exam, animal=name, species=name)
    assert text_of(pdf_of(replace(clutch, exam=exam))).count(name) >= 2


def test_letters_without_a_glyph_are_harmless(clutch: ExampleExam) -> None:
    odd = "亀\x00\ud800" + "W" * 300
    text = text_of(pdf_of(replace(clutch, exam=replace(clutch.exam, animal=odd))))
    assert "7 shelled eggs" in text


def test_text_has_enough_contrast() -> None:
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text; relative luminance and contrast as defined there."""

    def luminance(colour: str) -> float:
        parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    for colour in (TEXT_COLOUR, MUTED, GREEN, RED):
        assert (luminance(WHITE) + 0.05) / (luminance(colour) + 0.05) >= 4.5


def test_nothing_is_drawn_beyond_the_margins(crowded_pdf: bytes, clutch_pdf: bytes) -> None:
    for pdf in (crowded_pdf, clutch_pdf):
        for page in pypdfium2.PdfDocument(pdf):
            picture: Image.Image = page.render(scale=1.0).to_pil().convert("L")
            grey = np.asarray(picture)
            inner = np.zeros(grey.shape, bool)
            inner[20:-12, 27:-27] = True
            assert grey[~inner].min() == 255
            assert grey[inner].min() < 60
