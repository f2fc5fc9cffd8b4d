"""The index in a real browser: sorted, filtered, by keyboard, on a phone, and without its script."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.estimate.results import Count, ExamFinding
from pipeline.report.index import index_html
from pipeline.report.summary import ExamSummary, summarise

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.pipeline.report.conftest import ExampleExam

FIRST = ["AF-0412", "AF-0414", "AF-0413", "AF-9", "AF-10"]  # as the page comes: by urgency


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory, example_exams: tuple[ExampleExam, ...]) -> Path:
    """For the vet, to be checked (none seen; not scanned), and two of the rest, of other days and numbers."""
    clutch, empty, refused, _ = example_exams

    def calm(animal: str, day: int, eggs: int, stage: str, confidence: float) -> ExamSummary:
        finding: ExamFinding = replace(
            clutch.finding,
            shelled=Count(eggs, eggs, (eggs, eggs)),
            flags=(),
            confidence=confidence,
            stage=stage,
        )
        exam = replace(clutch.exam, animal=animal, species="Chelydra serpentina")
        return summarise(replace(exam, date=exam.date.replace(day=day)), finding, clutch.scans)

    rest = [calm("AF-9", 2, 30, "calcified", 0.8), calm("AF-10", 3, 2, "thin-shelled", 0.9)]
    path = tmp_path_factory.mktemp("index") / "index.html"
    path.write_bytes(index_html([summarise(n.exam, n.finding, n.scans) for n in (clutch, empty, refused)] + rest, []))
    return path


def opened(browser: Browser, index: Path, *, width: int = 1280, script: bool = True) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 844}, java_script_enabled=script).new_page()
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    page.goto(index.as_uri())
    return page


@pytest.fixture
def page(browser: Browser, index: Path) -> Iterator[Page]:
    page = opened(browser, index)
    yield page
    page.context.close()


def animals(page: Page) -> list[str]:
    """Of the rows that are to be seen, from the top."""
    links = [row.locator("a").first for row in page.locator("tr.exam").all() if row.is_visible()]
    return [link.inner_text() for link in sorted(links, key=lambda link: (link.bounding_box() or {})["y"])]


def headings(page: Page) -> list[str]:
    return [one.inner_text().split("\n")[0] for one in page.locator("h2").all() if one.is_visible()]


def test_it_comes_as_a_person_should_look(page: Page) -> None:
    assert animals(page) == FIRST
    assert [words.rsplit(" ", 1)[0] for words in headings(page)] == ["For the vet today", "To be checked", "The rest"]
    assert page.locator("[aria-sort]").inner_text().strip() == "Why look"
    assert page.locator("output").inner_text() == "5 of 5 exams shown"


@pytest.mark.parametrize(
    ("head", "first", "told"),
    [
        ("Animal", ["AF-9", "AF-10", "AF-0412", "AF-0413", "AF-0414"], "ascending"),
        ("Seen", ["AF-9", "AF-0412", "AF-10", "AF-0413", "AF-0414"], "descending"),
        ("Scanned", ["AF-0412", "AF-0414", "AF-0413", "AF-10", "AF-9"], "descending"),
        ("Stage", ["AF-0412", "AF-9", "AF-10", "AF-0414", "AF-0413"], "ascending"),
    ],
)
def test_the_heads_of_columns_sort_and_turn_round(page: Page, head: str, first: list[str], told: str) -> None:
    button = page.get_by_role("button", name=head, exact=True)
    sorted_by = page.locator("th", has=button)
    button.click()
    assert animals(page) == first
    assert sorted_by.get_attribute("aria-sort") == told
    assert page.locator("[aria-sort]").count() == 1
    assert headings(page) == []
    button.press("Enter")
    assert animals(page)[0] != first[0]
    assert sorted_by.get_attribute("aria-sort") == ("ascending" if told == "descending" else "descending")
    page.get_by_role("button", name="Why look").click()
    assert animals(page) == FIRST
    assert len(headings(page)) == 3


@pytest.mark.parametrize(
    ("field", "chosen", "left"),
    [
        ("Look", "for the vet today", ["AF-0412"]),
        ("Seen", "none seen", ["AF-0413"]),
        ("Seen", "not scanned", ["AF-0414"]),
        ("Scanned", "3 May 2026", ["AF-10"]),
    ],
)
def test_filters_leave_what_passes_and_say_how_many(page: Page, field: str, chosen: str, left: list[str]) -> None:
    page.get_by_role("combobox", name=field, exact=True).select_option(chosen)
    assert animals(page) == left
    assert page.locator("output").inner_text() == "1 of 5 exams shown"
    assert len(headings(page)) == 1  # that of the group that is left
    page.get_by_role("button", name="Show all").click()
    page.get_by_text("5 of 5 exams shown").wait_for()
    assert animals(page) == FIRST


def test_words_are_found_in_animal_species_and_reasons_whatever_their_case(page: Page) -> None:
    field = page.get_by_role("searchbox", name="Find")
    for words, left in (
        ("chelydra", ["AF-9", "AF-10"]),
        ("WIDER THAN", ["AF-0412"]),
        (" af-0413 ", ["AF-0413"]),
        ("zzz", []),
    ):
        field.fill(words)
        assert animals(page) == left


def test_all_goes_by_keyboard(page: Page) -> None:
    page.locator("h1").click()
    reached = []
    for _ in range(16):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.name || document.activeElement.innerText.trim()"))
    assert reached[:6] == ["text", "group", "seen", "day", "order", "reversed"]
    assert [name for name in reached if name in ("Animal", "Scanned", "Seen", "Stage", "Why look")] == [
        "Animal",
        "Scanned",
        "Seen",
        "Stage",
        "Why look",
    ]


def test_on_a_phone_it_sorts_by_a_field_and_stays_within_the_width(browser: Browser, index: Path) -> None:
    page = opened(browser, index, width=390)
    assert not page.get_by_role("button", name="Animal", exact=True).is_visible()
    assert not page.locator("#filters").is_visible()  # the list comes first
    page.get_by_text("Sort and filter").click()
    page.get_by_role("combobox", name="Order").select_option("number of shelled eggs")
    assert animals(page)[:2] == ["AF-9", "AF-0412"]
    page.get_by_role("checkbox", name="reversed").check()
    assert animals(page)[-1] == "AF-9"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for field in page.locator("#filters select, #filters input[type=search], #filters button").all():
        assert (field.bounding_box() or {})["height"] >= 40  # for a thumb
    page.context.close()


def test_without_its_script_all_is_there_in_the_order_that_matters(browser: Browser, index: Path) -> None:
    page = opened(browser, index, script=False)
    assert animals(page) == FIRST
    assert not page.locator("#filters").is_visible()
    assert page.locator("thead button").count() == 0
    page.context.close()
