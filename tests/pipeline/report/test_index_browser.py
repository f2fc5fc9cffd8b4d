"""The index in a real browser: sorted, filtered, by keyboard, on a phone, and without its script."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.estimate.results import Count, ExamFinding
from pipeline.report.season import Night, NightlyRun, SeasonList
from pipeline.report.season_files import write_season_files
from pipeline.report.summary import ExamSummary, summarise
from tests.pipeline.report.one_season import index_html, write_overview_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.pipeline.report.example_exams import ExampleExam

BY_PRIORITY = ["AF-0412", "AF-0414", "AF-0413", "AF-9", "AF-10"]  # the order without sorting

FIRST_PAINT = """() => new Promise((done) => new PerformanceObserver((list) => {
    for (const { startTime } of list.getEntriesByName("first-contentful-paint")) done(startTime);
}).observe({ type: "paint", buffered: true }))"""  # ms after navigation, once it has come


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory, example_exams: tuple[ExampleExam, ...]) -> Path:
    """One exam for the vet, two to check (none seen; not scanned), and two without action, on other days."""
    clutch, empty, refused, _ = example_exams

    def unflagged(animal: str, day: int, eggs: int, stage: str, confidence: float) -> ExamSummary:
        finding: ExamFinding = replace(
            clutch.finding,
            shelled=Count(eggs, eggs, (eggs, eggs)),
            flags=(),
            confidence=confidence,
            stage=stage,
        )
        exam = replace(clutch.exam, animal=animal, species="Chelydra serpentina")
        return summarise(replace(exam, date=exam.date.replace(day=day)), finding, clutch.scans)

    rest = [unflagged("AF-9", 2, 30, "calcified", 0.8), unflagged("AF-10", 3, 2, "thin-shelled", 0.9)]
    path = tmp_path_factory.mktemp("index") / "index.html"
    path.write_bytes(index_html([example.summary for example in (clutch, empty, refused)] + rest, []))
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
    """The animals of the visible rows, from the top."""
    links = [row.locator("a").first for row in page.locator("tr.exam").all() if row.is_visible()]
    return [link.inner_text() for link in sorted(links, key=lambda link: (link.bounding_box() or {})["y"])]


def headings(page: Page) -> list[str]:
    return [one.inner_text().split("\n")[0] for one in page.locator("#exams h2").all() if one.is_visible()]


def test_the_page_opens_in_order_of_priority(page: Page) -> None:
    assert animals(page) == BY_PRIORITY
    titles = [heading.rsplit(" ", 1)[0] for heading in headings(page)]
    assert titles == ["For the vet today", "To check", "Nothing to check"]
    assert page.locator("[aria-sort]").inner_text().strip() == "What to do"
    assert page.locator("output").inner_text() == "5 of 5 exams shown"


@pytest.mark.parametrize(
    ("head", "expected", "direction"),
    [
        ("Animal", ["AF-9", "AF-10", "AF-0412", "AF-0413", "AF-0414"], "ascending"),
        ("Seen", ["AF-9", "AF-0412", "AF-10", "AF-0413", "AF-0414"], "descending"),
        ("Scanned", ["AF-0412", "AF-0414", "AF-0413", "AF-10", "AF-9"], "descending"),
        ("Stage", ["AF-0412", "AF-9", "AF-10", "AF-0414", "AF-0413"], "ascending"),
    ],
)
def test_column_heads_sort_and_reverse(page: Page, head: str, expected: list[str], direction: str) -> None:
    button = page.get_by_role("button", name=head, exact=True)
    sorted_by = page.locator("th", has=button)
    button.click()
    assert animals(page) == expected
    assert sorted_by.get_attribute("aria-sort") == direction
    assert page.locator("[aria-sort]").count() == 1
    assert headings(page) == []
    button.press("Enter")
    assert animals(page)[0] != expected[0]
    assert sorted_by.get_attribute("aria-sort") == ("ascending" if direction == "descending" else "descending")
    page.get_by_role("button", name="What to do").click()
    assert animals(page) == BY_PRIORITY
    assert len(headings(page)) == 3


@pytest.mark.parametrize(
    ("field", "chosen", "left"),
    [
        ("Priority", "For the vet today", ["AF-0412"]),
        ("Seen", "none seen", ["AF-0413"]),
        ("Seen", "not scanned", ["AF-0414"]),
        ("Scanned", "3 May 2026", ["AF-10"]),
    ],
)
def test_filters_show_the_matching_exams_and_their_number(page: Page, field: str, chosen: str, left: list[str]) -> None:
    page.get_by_role("combobox", name=field, exact=True).select_option(chosen)
    assert animals(page) == left
    assert page.locator("output").inner_text() == "1 of 5 exams shown"
    assert len(headings(page)) == 1  # of the group that is left
    page.get_by_role("button", name="Show all").click()
    page.get_by_text("5 of 5 exams shown").wait_for()
    assert animals(page) == BY_PRIORITY


def test_the_search_finds_animals_species_and_reasons_in_any_case(page: Page) -> None:
    field = page.get_by_role("searchbox", name="Search")
    for words, left in (
        ("chelydra", ["AF-9", "AF-10"]),
        ("WIDER THAN", ["AF-0412"]),
        (" af-0413 ", ["AF-0413"]),
        ("zzz", []),
    ):
        field.fill(words)
        assert animals(page) == left


def test_everything_can_be_reached_by_keyboard(page: Page) -> None:
    page.locator("h1").click()
    reached = []
    for _ in range(16):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.name || document.activeElement.innerText.trim()"))
    assert reached[:6] == ["text", "group", "seen", "day", "order", "reversed"]
    assert [name for name in reached if name in ("Animal", "Scanned", "Seen", "Stage", "What to do")] == [
        "Animal",
        "Scanned",
        "Seen",
        "Stage",
        "What to do",
    ]


def test_on_a_phone_a_field_sorts_and_the_page_keeps_its_width(browser: Browser, index: Path) -> None:
    page = opened(browser, index, width=390)
    assert not page.get_by_role("button", name="Animal", exact=True).is_visible()
    assert not page.locator("#filters").is_visible()  # the list comes first
    page.get_by_text("Sort and filter").click()
    page.get_by_role("combobox", name="Sort by").select_option("number of shelled eggs")
    assert animals(page)[:2] == ["AF-9", "AF-0412"]
    page.get_by_role("checkbox", name="reverse order").check()
    assert animals(page)[-1] == "AF-9"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for field in page.locator("#filters select, #filters input[type=search], #filters button").all():
        assert (field.bounding_box() or {})["height"] >= 40  # for a thumb
    page.context.close()


def test_without_its_script_the_page_shows_everything_in_order_of_priority(browser: Browser, index: Path) -> None:
    page = opened(browser, index, script=False)
    assert animals(page) == BY_PRIORITY
    assert not page.locator("#filters").is_visible()
    assert page.locator("thead button").count() == 0
    page.context.close()


def test_an_index_of_5000_exams_paints_and_filters_at_once(
    browser: Browser, tmp_path: Path, example_exams: tuple[ExampleExam, ...]
) -> None:
    """First paint under 1 s and a filter under 0.1 s, the best of some tries, since other programs run as well."""
    known = [example.summary for example in example_exams]
    summaries = []
    for number in range(5000):
        one = known[number % len(known)]
        exam = replace(one.exam, animal=f"AF-{number:05}")
        summaries.append(replace(one, exam=exam, folder=f"{exam.animal}/{exam.date}"))
    path = tmp_path / "index.html"
    path.write_bytes(index_html(summaries, []))
    page = opened(browser, path)
    page.get_by_text("5000 of 5000 exams shown, the first 75 listed").wait_for()
    assert path.stat().st_size < 500_000
    paints = []
    for _ in range(4):
        page.reload()
        paints.append(page.evaluate(FIRST_PAINT))
    assert min(paints) < 1000
    page.get_by_role("searchbox", name="Search").fill("AF-049")
    assert page.locator("output").inner_text() == "100 of 5000 exams shown, the first 75 listed"
    for field, value in (("text", "wider than"), ("seen", "none"), ("order", "eggs")):
        times = page.evaluate(
            """([field, value]) => [...Array(8)].map((_, turn) => {
                const form = document.getElementById("filters");
                form[field].value = turn % 2 ? value : field === "order" ? "priority" : "";
                const start = performance.now();
                form.dispatchEvent(new Event("input"));
                document.body.getBoundingClientRect();
                return performance.now() - start;
            })""",
            [field, value],
        )
        assert min(times[1::2]) < 100, (field, times)
    page.get_by_role("button", name="Show all").click()
    page.get_by_role("button", name="Show 375 more of 4925").click()
    assert page.locator("output").inner_text() == "5000 of 5000 exams shown, the first 450 listed"
    page.context.close()


@pytest.mark.parametrize(("hours", "is_old"), [(35.0, False), (37.0, True), (24.0 * 9.5, True)])
def test_a_page_says_by_itself_that_it_is_old(
    browser: Browser, tmp_path: Path, clutch: ExampleExam, hours: float, is_old: bool
) -> None:
    ended = dt.datetime.now(dt.UTC) - dt.timedelta(hours=hours)
    path = tmp_path / "index.html"
    path.write_bytes(index_html([clutch.summary], [], run=NightlyRun(ended, 1, 3, "/exams")))
    page = opened(browser, path)
    line = page.locator("#run")
    assert "Run ended" in line.inner_text()
    assert ("This page is" in line.inner_text()) == is_old
    if hours > 72:
        assert "This page is 9 days old: no run has ended since." in line.inner_text()
    page.context.close()


def test_a_long_list_is_whole_with_and_without_its_script(
    browser: Browser, tmp_path: Path, clutch: ExampleExam
) -> None:
    write_overview_files(tmp_path, [numbered(clutch, f"AF-{number:03}", 2026) for number in range(120)])
    path = tmp_path / "index.html"
    for width in (390, 1280):
        page = opened(browser, path, width=width, script=False)
        assert not page.get_by_role("link", name="AF-119", exact=True).is_visible()
        page.get_by_role("navigation", name="Pages").get_by_role("link", name="2").click()
        assert page.get_by_role("link", name="AF-119", exact=True).is_visible()
        assert len(animals(page)) == 45
        page.context.close()
    page = opened(browser, path)
    page.get_by_role("button", name="Show 45 more of 45").click()
    assert page.get_by_role("link", name="AF-119", exact=True).is_visible()
    assert not page.get_by_role("navigation", name="Pages").is_visible()
    assert animals(page) == [f"AF-{number:03}" for number in range(120)]
    page.context.close()


def test_the_search_finds_exams_of_other_seasons(browser: Browser, tmp_path: Path, clutch: ExampleExam) -> None:
    seasons = ("2026", "2025", "2024")
    for season in seasons:
        exams = [numbered(clutch, f"AF-{season}", int(season)), numbered(clutch, "<b>AF-7</b>", int(season))]
        night = Night() if season == "2026" else None
        write_season_files(tmp_path, SeasonList(season, exams, seasons, "2026", night))
    page = opened(browser, tmp_path / "index.html")
    others = page.locator("#other-seasons")
    page.get_by_role("searchbox", name="Search").fill("af-2025")
    assert not others.is_visible()
    page.get_by_role("checkbox", name="in all seasons").check()
    others.get_by_text("1 found").wait_for()
    assert others.get_by_role("link").get_attribute("href") == "AF-2025/2025-05-14/report.html"
    page.get_by_role("searchbox", name="Search").fill("<B>af-7")
    others.get_by_text("2 found").wait_for()
    assert others.get_by_role("link").all_inner_texts() == ["<b>AF-7</b>"] * 2
    assert "2025-05-14" in others.inner_text()
    page.get_by_role("link", name="2025", exact=True).click()
    page.wait_for_url("**/index-2025.html")
    assert headings(page) == ["Not signed 2"]
    assert page.get_by_role("link", name="2026", exact=True).get_attribute("href") == "index.html"
    page.context.close()


def numbered(example: ExampleExam, animal: str, year: int) -> ExamSummary:
    """The exam of another animal in another year."""
    exam = replace(example.exam, animal=animal, date=example.exam.date.replace(year=year))
    return replace(example.summary, exam=exam, folder=f"{exam.animal}/{exam.date}")
