"""The vet's page in a real browser, over a real server and the store of a real night."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.pipeline.review.conftest import EXAM, running

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

DESK, PHONE = {"width": 1280, "height": 860}, {"width": 390, "height": 844}


class Sight:
    """A person's window. complaints : of the browser;  foreign : requests to anywhere but the page's own server"""

    def __init__(self, browser: Browser, address: str, size: dict[str, int], name: str = "Orla Finch") -> None:
        self.address = address
        self.page: Page = browser.new_context(viewport=size, has_touch=size is PHONE).new_page()
        self.complaints: list[str] = []
        self.foreign: list[str] = []
        self.pressed = 0
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(f"a dialog of a script: {dialog.message}"))
        self.page.on("request", lambda r: None if r.url.startswith(address) else self.foreign.append(r.url))
        self.page.goto(address)
        self.page.get_by_label("Name").fill(name)
        self.page.get_by_label("What you are here").fill("veterinarian")
        self.page.get_by_role("button", name="Come in").click()
        self.page.wait_for_url(f"{address}/")

    def open(self, exam: str = EXAM) -> Sight:
        self.page.goto(self.address + exam)
        return self.ready()

    def ready(self) -> Sight:
        self.page.wait_for_selector("canvas[data-shown]")
        self.page.wait_for_selector("#overlay ellipse", state="attached")
        return self

    def press(self, key: str) -> None:
        """One key, and what the server makes of it."""
        self.pressed += 1
        self.page.keyboard.press(key)

    def say(self, key: str) -> None:
        """One key that makes an answer."""
        with self.page.expect_response(lambda response: response.url.endswith("/answers")) as told:
            self.press(key)
        told.value.finished()
        self.page.wait_for_timeout(30)

    @property
    def state(self) -> Any:
        return self.page.evaluate(f"fetch('{EXAM}/state').then((answer) => answer.json())")

    def assert_quiet(self) -> None:
        assert self.complaints == []
        assert self.foreign == []


@pytest.fixture
def sight(browser: Browser, address: str) -> Iterator[Sight]:
    seen = Sight(browser, address, DESK)
    yield seen
    seen.assert_quiet()
    seen.page.context.close()


def verdicts(state: Any) -> dict[int, str | None]:
    return {egg["number"]: egg["verdict"] for egg in state["eggs"]}


def test_eight_eggs_with_two_corrections_take_fifteen_keys_at_most(sight: Sight) -> None:
    sight.page.get_by_label("Animal").fill("AF-0412")
    sight.page.get_by_role("button", name="Sift").click()
    sight.page.locator("a:focus", has_text="AF-0412").wait_for()
    sight.press("Enter")
    sight.page.wait_for_url("**/exams/**")
    sight.ready()
    before = sight.state
    assert len(before["eggs"]) == 8
    sight.press("3")
    sight.say("n")
    sight.press("5")
    sight.say("t")
    sight.say("a")
    sight.press("g")
    sight.say("Enter")
    after = sight.state
    assert sight.pressed <= 15
    assert after["signed"]["name"] == "Orla Finch"
    assert int(after["now"]["figure"]) == int(before["now"]["figure"]) - 1
    assert verdicts(after) == {n: "not-egg" if n == 3 else "egg" for n in range(1, 9)}
    assert after["eggs"][4]["stage"] == "thin-shelled"
    assert sight.page.locator("#seal").inner_text().startswith("signed by Orla Finch, veterinarian")
    sight.press("Enter")
    sight.page.wait_for_url(lambda url: "AF-0412" not in url)


def test_undo_and_redo_by_key(sight: Sight) -> None:
    sight.open()
    figure = sight.page.locator("#figure")
    start = figure.inner_text()
    sight.press("2")
    sight.say("n")
    sight.press("4")
    sight.say("n")
    assert int(figure.inner_text()) == int(start) - 2
    sight.say("z")
    sight.say("z")
    assert figure.inner_text() == start
    sight.say("Z")
    assert int(figure.inner_text()) == int(start) - 1


def test_same_and_two_by_key(sight: Sight) -> None:
    sight.open()
    sight.press("1")
    sight.press("e")
    sight.say("6")
    joined = sight.state
    assert {piece["clip"] for piece in joined["eggs"][0]["pieces"]} == {"left-1.mp4", "right-1.mp4"}
    assert 6 not in verdicts(joined)
    sight.say("d")  # the piece in view is another one
    parted = sight.state
    assert len(parted["eggs"]) == 8
    assert parted["eggs"][-1]["number"] == 9
    assert len(parted["eggs"][0]["pieces"]) == 1


def to_screen(page: Page, x: float, y: float) -> tuple[float, float]:
    """Where a pixel of the frame lies on the screen."""
    point = page.evaluate(
        "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.getElementById('overlay').getScreenCTM());"
        " return [p.x, p.y]; }",
        [x, y],
    )
    return point[0], point[1]


def test_a_missed_egg_is_drawn_and_pulled_into_shape(sight: Sight) -> None:
    page = sight.open().page
    sight.press("o")
    page.mouse.move(*to_screen(page, 60, 125))
    page.mouse.down()
    page.mouse.move(*to_screen(page, 80, 125))
    page.mouse.move(*to_screen(page, 100, 125))
    page.mouse.up()
    page.mouse.move(*to_screen(page, 80, 125 + 20 * 0.7))
    page.mouse.down()
    page.mouse.move(*to_screen(page, 80, 125 + 11))
    page.mouse.up()
    sight.press("f")
    sight.say("Enter")
    egg = sight.state["eggs"][-1]
    assert egg["stage"] == "follicle"
    (outline,) = egg["outlines"].values()
    assert outline == pytest.approx([80, 125, 20, 11, 0], abs=1.0)
    piece = egg["pieces"][0]
    assert piece["clip"] == sight.state["clips"][egg["best"][0]]["file"]


def test_a_missed_egg_is_drawn_by_keys_alone(sight: Sight) -> None:
    sight.open()
    sight.press("o")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "Shift+ArrowRight", "Shift+ArrowDown", "."):
        sight.press(key)
    sight.say("Enter")
    (ellipse,) = sight.state["eggs"][-1]["outlines"].values()
    assert ellipse[:2] == pytest.approx([96 + 6, 80 + 3])
    assert ellipse[4] == pytest.approx(5)


def test_part_of_a_clip_is_marked_unusable(sight: Sight) -> None:
    sight.open()
    sight.press("]")
    sight.press("u")
    for _ in range(2):
        sight.press("Shift+ArrowRight")
    sight.say("u")
    marked = [clip for clip in sight.state["clips"] if clip["unusable"]]
    assert len(marked) == 1
    first, last = marked[0]["unusable"][0]
    assert last - first == 20
    assert sight.page.locator("#strip .unusable").count() == 1
    sight.press("ArrowLeft")
    sight.say("u")
    assert not any(clip["unusable"] for clip in sight.state["clips"])


def test_the_clip_plays_with_its_outlines(sight: Sight) -> None:
    from playwright.sync_api import expect

    page = sight.open().page
    sight.press("]")
    sight.press("Shift+ArrowRight")
    before = page.locator("#where").inner_text()
    sight.press("Space")
    where = page.locator("#where")
    expect(where).not_to_have_text(before)
    sight.press("Space")
    shown = re.findall(r"frame (\d+)", where.inner_text())[0]
    expect(page.locator("#picture")).to_have_attribute("data-shown", re.compile(rf"\d/{shown}"))
    page.wait_for_timeout(100)
    assert shown == re.findall(r"frame (\d+)", where.inner_text())[0]  # it stands still
    sight.press("ArrowDown")  # where the clip was stopped there may be no egg
    expect(page.locator("#overlay ellipse.line")).not_to_have_count(0)


def test_the_second_of_two_people_is_asked(browser: Browser, sight: Sight) -> None:
    other = Sight(browser, sight.address, DESK, "Ned Rush")
    sight.open()
    other.open()
    other.page.route("**/news*", lambda route: route.abort())  # has not heard yet
    sight.press("1")
    sight.say("n")
    other.press("1")
    other.say("y")
    assert "Orla Finch" in other.page.locator("#meanwhile-rows").inner_text()
    assert verdicts(sight.state)[1] == "not-egg"
    with other.page.expect_response(lambda response: response.url.endswith("/answers")):
        other.page.get_by_role("button", name="My answer stands").click()
    sight.page.locator("#history", has_text="Ned Rush").wait_for(timeout=9000)
    assert verdicts(sight.state)[1] == "egg"
    assert "Ned Rush" in sight.page.locator("#others").inner_text()
    assert [text for text in other.complaints if "409" not in text and "ERR_FAILED" not in text] == []
    other.page.context.close()


def test_scripts_in_names_stay_text(sight: Sight) -> None:
    link = sight.page.locator("a[href*='AF_']")
    assert "onfocus" in link.inner_text()
    link.click()
    sight.ready()
    assert "onerror" in sight.page.locator(".species").inner_text()
    sight.press("m")
    sight.page.locator("#note-text").fill("<img src=x onerror=alert(2)>")
    sight.page.get_by_role("button", name="Keep it").click()
    sight.page.locator("#history", has_text="alert(2)").wait_for()
    assert sight.page.locator("img[src=x]").count() == 0


def test_every_key_is_told_one_key_away(sight: Sight) -> None:
    sight.open()
    sight.press("?")
    told = sight.page.locator("#key-rows").inner_text()
    for words in ("not an egg", "undo", "sign, or open again", "play, pause", "unusable"):
        assert words in told
    sight.press("Escape")
    assert not sight.page.locator("#key-list").is_visible()


def test_on_a_phone_nothing_sticks_out_and_signing_works(browser: Browser, address: str) -> None:
    phone = Sight(browser, address, PHONE)
    for exam in (None, EXAM):
        if exam:
            phone.open(exam)
        assert phone.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        sticking_out = phone.page.evaluate(
            "[...document.querySelectorAll('body *:not(svg *, option)')].filter(e => e.getBoundingClientRect().right > "
            "innerWidth + 1).map(e => e.className || e.tagName)"
        )
        assert sticking_out == []
    phone.page.locator("#sign").tap()
    with phone.page.expect_response(lambda response: response.url.endswith("/answers")):
        phone.page.locator("#sign-now").tap()
    phone.page.wait_for_selector("#seal:visible")
    phone.page.locator("#seal a").tap()
    phone.page.wait_for_url("**/sheet")
    assert "Signed by Orla Finch" in phone.page.content()
    phone.assert_quiet()
    phone.page.context.close()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_rule_of_accessible_pages_is_broken(browser: Browser, out: Path, size: dict[str, int]) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()

    def faults(page: Page) -> list[str]:
        found = axe.run(page).response["violations"]
        return [f"{one['id']}: {[node['html'][:90] for node in one['nodes']]}" for one in found]

    with running(out) as where:
        seen = Sight(browser, where, size)
        assert faults(seen.page) == []
        seen.open()
        assert faults(seen.page) == []
        seen.press("3")
        seen.say("n")
        seen.press("o")
        assert faults(seen.page) == []
        seen.press("Escape")
        for key in ("?", "m", "g"):
            seen.press(key)
            assert faults(seen.page) == []
            seen.page.keyboard.press("Escape")
        seen.page.context.clear_cookies()
        seen.page.goto(f"{where}/door")
        assert faults(seen.page) == []
        seen.page.context.close()
