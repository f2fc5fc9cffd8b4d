"""The pages in a real browser: no requests, no console messages, all pictures, and within a phone's width."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pypdfium2
import pytest

from pipeline.agreement.page import write_agreement_page
from pipeline.agreement.pairs import MatchRule, Station
from pipeline.agreement.summary import summarise_agreement
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.outcomes import Outcome
from pipeline.report.links import Neighbours
from pipeline.settings_tables import PageSettings
from tests.pipeline.accessibility import broken_rules
from tests.pipeline.report.one_season import write_overview_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.pipeline.report.example_exams import ExampleExam

PAGES = ["index.html", "agreement.html", *(f"AF-04{n}/2026-05-14/report.html" for n in (12, 13, 14, 15, 16, 18))]
SETTINGS = PageSettings(station="Alder Fen", review_address="http://127.0.0.1:8017")
NEIGHBOURS = Neighbours("AF-0413/2026-05-14", "AF-0414/2026-05-14")


@pytest.fixture(scope="module")
def out(
    tmp_path_factory: pytest.TempPathFactory,
    example_exams: tuple[ExampleExam, ...],
    returning: ExampleExam,
    uncertain: ExampleExam,
) -> Path:
    folder = tmp_path_factory.mktemp("out")
    examples = (*example_exams, returning, uncertain)
    for example in examples:
        replace(example, pages=SETTINGS, neighbours=NEIGHBOURS).write(folder)
    problems = [ExamProblem(Path("exams/AF-0420"), f"exams/AF-0420/{'x' * 120}.toml: no clips are next to it")]
    summaries = [example.summary for example in examples]
    write_overview_files(folder, summaries, problems, pages=SETTINGS)
    laid = [Outcome(example.exam.animal, "laid", example.exam.date, 4) for example in examples]
    write_agreement_page(folder, summarise_agreement([Station(summaries, laid)], MatchRule()))
    return folder


@pytest.fixture(scope="module")
def window(browser: Browser) -> Iterator[Page]:
    """One for all tests, since the pages keep nothing between visits, and to open one takes as long as many tests."""
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.fixture(params=[390, 1280], ids=["phone", "desk"])
def page(window: Page, request: pytest.FixtureRequest) -> Page:
    window.emulate_media(media="screen", color_scheme="light")
    window.set_viewport_size({"width": request.param, "height": 844})
    return window


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_self_contained_and_fits_its_window(page: Page, out: Path, name: str) -> None:
    requests: list[str] = []
    console_messages: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: console_messages.append(message.text))
    page.on("pageerror", lambda error: console_messages.append(str(error)))
    address = (out / name).as_uri()
    page.goto(address)
    loaded = [url for url in requests if url != address and not url.startswith("data:")]
    # The index shows small pictures of its own folder; everything else is on one page.
    assert all(url.startswith(out.as_uri()) and url.endswith("/thumbnail.jpg") for url in loaded)
    assert name == "index.html" or loaded == []
    assert console_messages == []
    # Pictures below the window are loaded late, so ask for all of them and wait. A broken one is an error here.
    page.evaluate("Promise.all([...document.images].map(i => { i.loading = 'eager'; return i.decode(); }))")
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


def test_a_sheet_prints_on_few_pages(window: Page, out: Path) -> None:
    window.emulate_media(media="print", color_scheme="light")
    window.goto((out / "AF-0412/2026-05-14/report.html").as_uri())
    paper = window.pdf(prefer_css_page_size=True, print_background=True)
    assert len(pypdfium2.PdfDocument(paper)) <= 2


def test_pictures_are_wide_open_large_and_lose_their_outline(page: Page, out: Path) -> None:
    page.goto((out / "AF-0412/2026-05-14/report.html").as_uri())
    picture = page.locator("#egg-1-large")
    image, outline = picture.locator("img"), picture.locator(".outline")
    assert (image.bounding_box() or {})["width"] >= 320
    assert outline.is_visible()
    picture.get_by_label("outline").uncheck()
    assert not outline.is_visible()
    picture.get_by_role("link", name="Open the picture of number 1 large").click()
    large = image.bounding_box() or {}
    viewport = page.viewport_size or {}
    assert large["width"] > 0.85 * min(viewport["width"], viewport["height"] * 4 / 3 - 100)
    picture.get_by_label("outline").check()
    assert outline.is_visible()
    picture.get_by_role("link", name="Close").click()
    assert (image.bounding_box() or {})["width"] < large["width"] or viewport["width"] < 640


def test_what_was_not_counted_is_shown_with_its_picture_also_where_none_was_seen(page: Page, out: Path) -> None:
    page.goto((out / "AF-0418/2026-05-14/report.html").as_uri())
    assert page.locator(".figure").inner_text() == "none seen"
    page.get_by_role("link", name="1 uncertain object not counted: see the picture.").click()
    section = page.locator("#uncounted")
    assert section.get_by_role("heading").inner_text().startswith("Uncertain, not counted")
    assert (section.locator("img").bounding_box() or {})["width"] >= 300
    assert section.get_by_text("may be a follicle").is_visible()


def test_every_frame_range_is_a_link_that_opens_the_review_there(page: Page, out: Path) -> None:
    page.goto((out / "AF-0418/2026-05-14/report.html").as_uri())
    links = page.get_by_role("link", name="right-1.mp4, frames 8 to 47")
    assert links.count() == 2  # in the reason, and below the picture
    address = "http://127.0.0.1:8017/exams/AF-0418/2026-05-14#clip=right-1.mp4&frame="
    assert all((link.get_attribute("href") or "").startswith(address) for link in links.all())
    text = page.locator("main").inner_text()
    assert len(re.findall(r"frames \d+ to \d+", text)) == links.count()


def test_sheets_link_the_other_pages(page: Page, out: Path) -> None:
    page.goto((out / "AF-0412/2026-05-14/report.html").as_uri())
    links = page.get_by_role("navigation", name="Other pages").get_by_role("link")
    names = [link.inner_text() for link in links.all()]
    assert names == ["All exams", "PDF", "Review", "Centre's record", "Her exam before", "Her next exam"]
    for link in links.all():
        href = link.get_attribute("href") or ""
        if not href.startswith("http"):
            assert (out / "AF-0412/2026-05-14" / href.partition("#")[0]).resolve().is_relative_to(out)
    page.get_by_role("link", name="All exams").click()
    page.wait_for_url("**/index.html")
    assert page.title() == "Alder Fen: Ultrasound egg sheets"


@pytest.mark.parametrize("name", [*PAGES, "rescan.html"])
def test_pages_break_no_accessibility_rule(page: Page, out: Path, name: str) -> None:
    page.goto((out / name).as_uri())
    assert broken_rules(page) == []


def test_dark_pages_are_dark_on_a_screen_and_not_on_paper(window: Page, out: Path) -> None:
    for name in ("index.html", "AF-0412/2026-05-14/report.html", "agreement.html", "rescan.html"):
        window.emulate_media(media="screen", color_scheme="dark")
        window.goto((out / name).as_uri())
        paper = "getComputedStyle(document.documentElement).getPropertyValue('--paper')"
        assert window.evaluate(paper) == "#1b1f1d"
        window.emulate_media(media="print", color_scheme="dark")
        assert window.evaluate(paper) == "#fffef9"


def test_the_index_prints_the_list_and_not_its_controls(window: Page, out: Path) -> None:
    window.emulate_media(media="print", color_scheme="light")
    window.goto((out / "index.html").as_uri())
    paper = pypdfium2.PdfDocument(window.pdf(prefer_css_page_size=True, print_background=True))
    text = " ".join(sheet.get_textpage().get_text_bounded() for sheet in paper)
    assert "AF-0412" in text
    for control in ("Search", "reverse order", "\u2191", "Tables to download", "review\n"):
        assert control not in text
