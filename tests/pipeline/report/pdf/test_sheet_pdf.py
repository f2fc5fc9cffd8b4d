"""The printed sheet: one page with all text, pictures and lines, within its margins."""

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
from pipeline.report.pdf.block import A4
from pipeline.report.pdf.sheet_pdf import sheet_pdf
from pipeline.report.pdf.text_style import GREEN, MUTED, RED, TEXT_COLOUR, WHITE
from pipeline.report.sheet_content import CAUTIONS
from pipeline.track.probe_course import ProbeTurn, straight_course
from tests.pipeline.report.example_exams import eggs_of, make_scan, refused_scan

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

ORDER = ("What to do", "How well she was scanned", "Best view", "When each egg was in view", "Recordings", "Limits of")


def text_of(pdf: bytes) -> str:
    """All text of the only page, in the order in which it was drawn."""
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 1
    return re.sub(r"\s+", " ", document[0].get_textpage().get_text_bounded())


def pdf_of(example: ExampleExam) -> bytes:
    return sheet_pdf(example.content)


def pictures_in(pdf: bytes) -> int:
    things = pypdfium2.PdfDocument(pdf)[0].get_objects()
    return sum(thing.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE for thing in things)


def bottom_of(pdf: bytes, text: str) -> float:
    """Points from the top edge to the lowest letter of the first occurrence of the text."""
    page = pypdfium2.PdfDocument(pdf)[0].get_textpage()
    place = page.search(text).get_next()
    assert place is not None, text
    return A4[1] - min(page.get_charbox(place[0] + k)[1] for k in range(place[1]))


@pytest.fixture(scope="session")
def crowded(clutch: ExampleExam) -> ExampleExam:
    """More than a page holds: 90 eggs, ten clips of which nine are refused with long reasons, and 20 flags."""
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
        "alder-1",
    ):  # fmt: skip
        assert expected in text
    places = [text.index(title) for title in ORDER]
    assert all(a < b for a, b in pairwise(places))
    for egg in clutch.finding.eggs:
        size = rf"{egg.length_mm:.0f} \(\d+.\d+\) {MULTIPLICATION_SIGN} {egg.width_mm:.0f} \(\d+.\d+\) mm"
        assert re.search(rf"{size} {egg.shape}, \d+ mm deep \d+ % sure it is one", text)


def test_every_sheet_carries_the_cautions_on_one_page(
    example_exams: tuple[ExampleExam, ...], crowded_pdf: bytes
) -> None:
    for pdf in (*map(pdf_of, example_exams), crowded_pdf):
        text = text_of(pdf)
        assert all(caution in text for caution in CAUTIONS)


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
    page = pypdfium2.PdfDocument(pdf)[0]
    paths = [thing.type for thing in page.get_objects()].count(pypdfium2.raw.FPDF_PAGEOBJ_PATH)
    finding = replace(returning.finding, history=History())
    alone = [
        thing.type for thing in pypdfium2.PdfDocument(pdf_of(replace(returning, finding=finding)))[0].get_objects()
    ]
    # For four exams a dot and a range of shelled eggs, for two a ring and a range of follicles, and a triangle.
    assert paths - alone.count(pypdfium2.raw.FPDF_PAGEOBJ_PATH) >= 2 * 4 + 3 * 2 + 1


def test_the_legend_explains_only_what_is_shown(clutch: ExampleExam, clutch_pdf: bytes, crowded_pdf: bytes) -> None:
    assert "“Sure it is one egg” is the probability" in text_of(clutch_pdf)
    assert "sure it is one" not in text_of(crowded_pdf).lower()
    assert "Sizes are of the whole egg" in text_of(crowded_pdf)


def test_none_seen_and_not_scanned(empty: ExampleExam, refused: ExampleExam) -> None:
    assert "No shelled egg was seen; one may still be there “None seen” does not mean none" in text_of(pdf_of(empty))
    text = text_of(pdf_of(refused))
    assert "not scanned No recording of this exam could be used" in text
    assert "Stage" not in text
    assert "not a video: it begins like a text file" in text


def test_the_same_exam_is_the_same_bytes(clutch: ExampleExam, clutch_pdf: bytes) -> None:
    assert pdf_of(clutch) == clutch_pdf


def test_eggs_are_pictures_and_the_sweep_plot_is_lines(clutch: ExampleExam) -> None:
    page = pypdfium2.PdfDocument(pdf_of(clutch))[0]
    kinds = [thing.type for thing in page.get_objects()]
    assert kinds.count(pypdfium2.raw.FPDF_PAGEOBJ_IMAGE) == len(clutch.finding.eggs)
    with_eggs = kinds.count(pypdfium2.raw.FPDF_PAGEOBJ_PATH)
    unseen = replace(clutch, finding=replace(clutch.finding, eggs=()))
    without = [thing.type for thing in pypdfium2.PdfDocument(pdf_of(unseen))[0].get_objects()]
    sightings = sum(len(egg.sightings) for egg in clutch.finding.eggs)
    assert with_eggs - without.count(pypdfium2.raw.FPDF_PAGEOBJ_PATH) > 2 * sightings


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


def test_what_a_page_cannot_hold_is_counted(crowded_pdf: bytes) -> None:
    pdf = crowded_pdf
    text = text_of(pdf)
    shown = pictures_in(pdf)
    assert 0 < shown < 90
    assert f"and {90 - shown} more, see report.html" in text
    assert "more clips, see report.html" in text
    assert bottom_of(pdf, "show when she will lay.") < bottom_of(pdf, "Network alder-1") - 5 < A4[1] - 20


def test_forty_eggs_are_all_shown_if_there_is_little_else(clutch: ExampleExam) -> None:
    rng = np.random.default_rng(40)
    scan = make_scan(rng, "left-1.mp4", "left", ["calcified"])
    egg = eggs_of((scan,), ["calcified"], rng)[0]
    finding = replace(clutch.finding, flags=(), eggs=tuple(replace(egg, identity=k + 1) for k in range(40)))
    pdf = pdf_of(replace(clutch, finding=finding, scans=(scan,)))
    shown = pictures_in(pdf)
    assert shown == 40
    assert "When each egg was in view, and where bar: in view" in text_of(pdf)


@pytest.mark.parametrize("name", ["Łucja Źdźbło", "Ζωή", "Черепаха", "İpek Ğ", "Nguyễn"])
def test_names_of_many_languages(clutch: ExampleExam, name: str) -> None:
    exam = replace(clutch.exam, animal=name, species=name)
    text = text_of(pdf_of(replace(clutch, exam=exam)))
    assert text.count(name) == 2


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
        picture: Image.Image = pypdfium2.PdfDocument(pdf)[0].render(scale=1.0).to_pil().convert("L")
        grey = np.asarray(picture)
        inner = np.zeros(grey.shape, bool)
        inner[20:-14, 27:-27] = True
        assert grey[~inner].min() == 255
        assert grey[inner].min() < 60
