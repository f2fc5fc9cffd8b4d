"""The pages in a real browser: no requests, no console messages, all pictures, and within a phone's width."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.agreement.page import write_agreement_page
from pipeline.agreement.pairs import MatchRule
from pipeline.agreement.summary import summarise_agreement
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.outcomes import Outcome
from pipeline.report.output_files import write_exam_files, write_overview_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.pipeline.report.example_exams import ExampleExam

PAGES = ["index.html", "agreement.html", *(f"AF-04{n}/2026-05-14/report.html" for n in (12, 13, 14, 15, 16))]


@pytest.fixture(scope="module")
def out(
    tmp_path_factory: pytest.TempPathFactory, example_exams: tuple[ExampleExam, ...], returning: ExampleExam
) -> Path:
    folder = tmp_path_factory.mktemp("out")
    examples = (*example_exams, returning)
    for example in examples:
        write_exam_files(folder, *example.arguments)
    problems = [ExamProblem(Path("exams/AF-0420"), f"exams/AF-0420/{'x' * 120}.toml: no clips lie beside it")]
    summaries = [example.summary for example in examples]
    write_overview_files(folder, summaries, problems)
    laid = [Outcome(example.exam.animal, "laid", example.exam.date, 4) for example in examples]
    write_agreement_page(folder, summarise_agreement(summaries, laid, MatchRule()))
    return folder


@pytest.fixture(params=[390, 1280], ids=["phone", "desk"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": request.param, "height": 844})
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_self_contained_and_fits_its_window(page: Page, out: Path, name: str) -> None:
    requests: list[str] = []
    console_messages: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: console_messages.append(message.text))
    page.on("pageerror", lambda error: console_messages.append(str(error)))
    address = (out / name).as_uri()
    page.goto(address)
    assert [url for url in requests if url != address and not url.startswith("data:")] == []
    assert console_messages == []
    assert page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # No element is wider than the page, except inside the plot, which scrolls in its own frame.
    too_wide = page.evaluate(
        "[...document.querySelectorAll('body *:not(svg *, svg)')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.className || e.tagName)"
    )
    assert too_wide == []


def test_the_index_links_to_the_sheets(page: Page, out: Path) -> None:
    page.goto((out / "index.html").as_uri())
    page.get_by_role("link", name="AF-0412", exact=True).click()
    assert page.title().startswith("AF-0412, 14 May 2026: 7 shelled eggs")


def test_eight_eggs_fit_one_sheet_of_paper(browser: Browser, out: Path) -> None:
    page = browser.new_page()
    page.goto((out / "AF-0412/2026-05-14/report.html").as_uri())
    paper = page.pdf(prefer_css_page_size=True, print_background=True)
    page.close()
    assert paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") == 1
