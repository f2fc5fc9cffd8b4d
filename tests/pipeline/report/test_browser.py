"""The pages in a real browser: alone, quiet, with all pictures, and within a phone's width."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.agreement.page import agreement_html
from pipeline.agreement.pairs import MatchRule
from pipeline.agreement.summary import summarise_agreement
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.outcomes import Outcome
from pipeline.report.output_files import write_exam_files, write_overview_files
from pipeline.report.summary import summarise
from pipeline.store.atomic_write import write_atomically

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.pipeline.report.conftest import ExampleExam

PAGES = ["index.html", "agreement.html", *(f"AF-04{n}/2026-05-14/report.html" for n in (12, 13, 14, 15, 16))]


@pytest.fixture(scope="module")
def out(
    tmp_path_factory: pytest.TempPathFactory, example_exams: tuple[ExampleExam, ...], returning: ExampleExam
) -> Path:
    folder = tmp_path_factory.mktemp("out")
    example_exams = (*example_exams, returning)
    for invented in example_exams:
        write_exam_files(folder, *invented.arguments)
    problems = [ExamProblem(Path("exams/AF-0420"), f"exams/AF-0420/{'x' * 120}.toml: no clips lie beside it")]
    summaries = [summarise(n.exam, n.finding, n.scans) for n in example_exams]
    write_overview_files(folder, summaries, problems)
    laid = [Outcome(n.exam.animal, "laid", n.exam.date, 4) for n in example_exams]
    write_atomically(folder / "agreement.html", [agreement_html(summarise_agreement(summaries, laid, MatchRule()))])
    return folder


@pytest.fixture(params=[390, 1280], ids=["phone", "desk"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": request.param, "height": 844})
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("name", PAGES)
def test_page(page: Page, out: Path, name: str) -> None:
    requests: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    address = (out / name).as_uri()
    page.goto(address)
    assert [url for url in requests if url != address and not url.startswith("data:")] == []
    assert complaints == []
    assert page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # Nothing sticks out either, but in the plot, which scrolls in its own frame.
    sticking_out = page.evaluate(
        "[...document.querySelectorAll('body *:not(svg *, svg)')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.className || e.tagName)"
    )
    assert sticking_out == []


def test_the_index_leads_to_the_sheets(page: Page, out: Path) -> None:
    page.goto((out / "index.html").as_uri())
    page.get_by_role("link", name="AF-0412", exact=True).click()
    assert page.title().startswith("AF-0412, 14 May 2026: 7 shelled eggs")


def test_eight_eggs_fit_one_sheet_of_paper(browser: Browser, out: Path) -> None:
    page = browser.new_page()
    page.goto((out / "AF-0412/2026-05-14/report.html").as_uri())
    paper = page.pdf(prefer_css_page_size=True, print_background=True)
    page.close()
    assert paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") == 1
