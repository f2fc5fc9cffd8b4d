"""The tags of the printed sheet, as screen readers read them (ISO 14289-1, PDF/UA-1; ISO 32000-1, 14.7)."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pypdfium2
import pypdfium2.raw as pdfium
import pytest

from pipeline.people.signatures import StoredSignature
from pipeline.report.links import Neighbours, sheet_links
from pipeline.report.pdf.sheet_pdf import sheet_pdf
from pipeline.report.sheet_content import sheet_content
from pipeline.report.sign_off import SignOff, sheet_signature
from pipeline.report.verdict import Signing
from pipeline.settings_tables import PageSettings

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


@dataclass(frozen=True)
class Tag:
    """depth : below the document;  alternative_text : "" if it has none"""

    role: str
    depth: int
    alternative_text: str


def tags_of(pdf: bytes) -> list[Tag]:
    """Those of all pages, in reading order."""
    document = pypdfium2.PdfDocument(pdf)
    found: list[Tag] = []
    for page in document:
        tree = pdfium.FPDF_StructTree_GetForPage(page)
        for place in range(pdfium.FPDF_StructTree_CountChildren(tree)):
            found += read(pdfium.FPDF_StructTree_GetChildAtIndex(tree, place), 0)
        pdfium.FPDF_StructTree_Close(tree)
    return found


def read(element: Any, depth: int) -> Iterator[Tag]:
    role = text_from(lambda buffer, size: pdfium.FPDF_StructElement_GetType(element, buffer, size))
    alternative = text_from(lambda buffer, size: pdfium.FPDF_StructElement_GetAltText(element, buffer, size))
    yield Tag(role, depth, alternative)
    for place in range(pdfium.FPDF_StructElement_CountChildren(element)):
        child = pdfium.FPDF_StructElement_GetChildAtIndex(element, place)
        if child:
            yield from read(child, depth + 1)


def text_from(get: Any) -> str:
    size = get(None, 0)
    buffer = ctypes.create_string_buffer(size)
    get(buffer, size)
    return buffer.raw.decode("utf-16-le").rstrip("\0")


@pytest.fixture(scope="module")
def tags(returning: ExampleExam) -> list[Tag]:
    return tags_of(sheet_pdf(returning.content))


def test_the_document_is_tagged_with_headings_tables_lists_and_figures(tags: list[Tag]) -> None:
    """Clauses 7.1, 7.2 and 7.5."""
    roles = [tag.role for tag in tags]
    assert roles[0] == "Document"
    assert set(roles) == {"Document", "H1", "H2", "P", "L", "LI", "LBody", "Figure", "Table", "TR", "TH", "TD"}
    assert roles.count("H1") == 1
    assert roles.index("H1") < roles.index("H2")  # clause 7.4.2: no level is skipped


def test_every_figure_has_an_alternative_text(tags: list[Tag], returning: ExampleExam) -> None:
    """Clause 7.3."""
    figures = [tag.alternative_text for tag in tags if tag.role == "Figure"]
    assert all(figures)
    assert sum(text.startswith("Ultrasound picture of number") for text in figures) == len(returning.finding.eggs)
    assert any(text.startswith("Where the eggs are") for text in figures)
    assert any("left-1.mp4, frames" in text for text in figures)


def test_the_document_says_what_it_is(clutch: ExampleExam) -> None:
    """Clauses 5 and 7.1: PDF/UA-1, language, title shown, and who wrote it."""
    sign_off = SignOff.of(
        StoredSignature("Orla Finch", "vet", "2026-05-15T07:40:12+00:00", True, (8, 9, 9, 11), 12, "5")
    )
    content = sheet_content(*clutch.arguments, station="Alder Fen", signing=Signing(sign_off, clutch.finding.shelled))
    for signature, author in (
        (None, "Alder Fen"),
        (sheet_signature(sign_off, PageSettings(), is_signed_sheet=True), "Orla Finch"),
    ):
        pdf = sheet_pdf(content, signature)
        described = pypdfium2.PdfDocument(pdf).get_metadata_dict()
        assert described["Title"] == "AF-0412, 14 May 2026: 9 shelled eggs, signed"
        assert described["Author"] == author
        for text in (b"<pdfuaid:part>1<", b"/Marked true", b"/DisplayDocTitle true", b"/Lang (en)"):
            assert text in pdf
        assert re.search(rb"<dc:creator><rdf:Seq><rdf:li>([^<]+)", pdf)[1].decode() == author  # type: ignore[index]


def test_every_page_is_read_in_the_order_of_its_tags(clutch: ExampleExam) -> None:
    """Clause 7.18.3."""
    pdf = sheet_pdf(clutch.content)
    assert pdf.count(b"/Tabs /S") == len(pypdfium2.PdfDocument(pdf)) == 2


def test_frames_are_links_into_the_review_with_a_tag_and_a_text(clutch: ExampleExam) -> None:
    """Clause 7.18.5."""
    review = "http://127.0.0.1:8017"
    links = sheet_links("AF-0412/2026-05-14", "index-2026.html", review, Neighbours(), is_signed_sheet=False)
    pdf = sheet_pdf(sheet_content(*clutch.arguments, links=links))
    sightings = sum(len(egg.sightings) for egg in clutch.finding.eggs)
    assert pdf.count(b"/Subtype /Link") >= sightings
    assert b"http://127.0.0.1:8017/exams/AF-0412/2026-05-14#clip=left-1.mp4&frame=" in pdf
    assert [tag.role for tag in tags_of(pdf)].count("Link") == pdf.count(b"/Subtype /Link")
    assert b"/Contents (left-1.mp4, frames 8 to 47)" in pdf


def test_a_free_checker_of_pdf_ua_finds_nothing(example_exams: tuple[ExampleExam, ...], tmp_path: Path) -> None:
    """`pdfua` checks 16 of the 106 rules of PDF/UA-1 that can be checked by a machine."""
    pdfua = pytest.importorskip("pdfua", reason="pdfua is not installed")
    for example in example_exams:
        path = tmp_path / f"{example.exam.animal}.pdf"
        path.write_bytes(sheet_pdf(replace(example).content))
        assert list(pdfua.validate(path).findings) == []
