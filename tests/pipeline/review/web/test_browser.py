"""The review pages in a real browser, with a real server and the store of a real batch."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.people.journal import Journal
from pipeline.people.users import User, Users
from tests.pipeline.review.conftest import EXAM, running_server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

DESK, PHONE = {"width": 1280, "height": 860}, {"width": 390, "height": 844}


class BrowserUser:
    """A logged-in user's window. console_messages : of the browser;  foreign_requests : not to the page's own server"""

    def __init__(self, browser: Browser, address: str, size: dict[str, int], name: str = "Orla Finch") -> None:
        self.address = address
        self.page: Page = browser.new_context(viewport=size, has_touch=size is PHONE).new_page()
        self.console_messages: list[str] = []
        self.foreign_requests: list[str] = []
        self.keys_pressed = 0
        self.page.on("console", lambda message: self.console_messages.append(message.text))
        self.page.on("pageerror", lambda error: self.console_messages.append(str(error)))
        self.page.on("dialog", lambda dialog: self.console_messages.append(f"a script's dialog: {dialog.message}"))
        self.page.on("request", lambda r: None if r.url.startswith(address) else self.foreign_requests.append(r.url))
        self.page.goto(address)
        self.page.get_by_label("New name").fill(name)
        self.page.get_by_label("Role").fill("veterinarian")
        self.page.get_by_role("button", name="Add and continue").click()
        self.page.wait_for_url(f"{address}/")

    def open(self, exam: str = EXAM) -> BrowserUser:
        self.page.goto(self.address + exam)
        return self.wait_until_shown()

    def wait_until_shown(self) -> BrowserUser:
        self.page.wait_for_selector("canvas[data-shown]")
        self.page.wait_for_selector("#overlay ellipse", state="attached")
        return self

    def press(self, key: str) -> None:
        """Press a key that sends no answer."""
        self.keys_pressed += 1
        self.page.keyboard.press(key)

    def press_and_wait(self, key: str) -> None:
        """Press a key that sends an answer, and wait until the server has replied."""
        with self.page.expect_response(lambda response: response.url.endswith("/answers")) as response:
            self.press(key)
        response.value.finished()
        self.page.wait_for_timeout(30)

    @property
    def state(self) -> Any:
        return self.page.evaluate(f"fetch('{EXAM}/state').then((answer) => answer.json())")

    def assert_no_problems(self) -> None:
        assert self.console_messages == []
        assert self.foreign_requests == []


@pytest.fixture
def browser_user(browser: Browser, address: str) -> Iterator[BrowserUser]:
    user = BrowserUser(browser, address, DESK)
    yield user
    user.assert_no_problems()
    user.page.context.close()


def verdicts(state: Any) -> dict[int, str | None]:
    return {egg["number"]: egg["verdict"] for egg in state["eggs"]}


def test_eight_eggs_with_two_corrections_take_at_most_fifteen_keys(browser_user: BrowserUser) -> None:
    browser_user.page.get_by_label("Animal").fill("AF-0412")
    browser_user.page.get_by_role("button", name="Filter").click()
    browser_user.page.locator("a:focus", has_text="AF-0412").wait_for()
    browser_user.press("Enter")
    browser_user.page.wait_for_url("**/exams/**")
    browser_user.wait_until_shown()
    assert browser_user.page.locator("#remaining").inner_text() == "8 to review"
    assert browser_user.page.locator("#confirm-rest").inner_text() == "Confirm the remaining 8"
    before = browser_user.state
    assert len(before["eggs"]) == 8
    browser_user.press("3")
    browser_user.press_and_wait("n")
    browser_user.press("5")
    browser_user.press_and_wait("t")
    browser_user.press_and_wait("a")
    browser_user.press("g")
    browser_user.press_and_wait("Enter")
    after = browser_user.state
    assert browser_user.keys_pressed <= 15
    assert after["signed"]["name"] == "Orla Finch"
    assert int(after["now"]["figure"]) == int(before["now"]["figure"]) - 1
    assert verdicts(after) == {n: "not-egg" if n == 3 else "egg" for n in range(1, 9)}
    assert after["eggs"][4]["stage"] == "thin-shelled"
    assert browser_user.page.locator("#signature").inner_text().startswith("Signed by Orla Finch, veterinarian")
    assert browser_user.page.locator("#remaining").inner_text() == "all reviewed"
    browser_user.press("Enter")
    browser_user.page.wait_for_url(lambda url: "AF-0412" not in url)


def test_a_name_is_chosen_from_the_list_and_the_sheet_says_so(browser_user: BrowserUser) -> None:
    page = browser_user.page
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/login")
    page.get_by_label("Name", exact=True).select_option(label="Orla Finch, veterinarian")
    page.get_by_role("button", name="Continue", exact=True).click()
    page.wait_for_url(f"{browser_user.address}/")
    browser_user.open()
    browser_user.press("g")
    assert "not logged in" in page.locator("#sign-dialog").inner_text()
    browser_user.press_and_wait("Enter")
    assert "signed at this machine, not logged in" in page.locator("#signature").inner_text()


def test_undo_and_redo_by_key(browser_user: BrowserUser) -> None:
    browser_user.open()
    figure = browser_user.page.locator("#figure")
    start = figure.inner_text()
    browser_user.press("2")
    browser_user.press_and_wait("n")
    browser_user.press("4")
    browser_user.press_and_wait("n")
    assert int(figure.inner_text()) == int(start) - 2
    browser_user.press_and_wait("z")
    browser_user.press_and_wait("z")
    assert figure.inner_text() == start
    browser_user.press_and_wait("Z")
    assert int(figure.inner_text()) == int(start) - 1


def test_merge_and_split_by_key(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("1")
    browser_user.press("e")
    browser_user.press_and_wait("6")
    merged = browser_user.state
    assert {segment["clip"] for segment in merged["eggs"][0]["segments"]} == {"left-1.mp4", "right-1.mp4"}
    assert 6 not in verdicts(merged)
    browser_user.press_and_wait("d")  # the segment in view is another egg
    split = browser_user.state
    assert len(split["eggs"]) == 8
    assert split["eggs"][-1]["number"] == 9
    assert len(split["eggs"][0]["segments"]) == 1


def to_screen(page: Page, x: float, y: float) -> tuple[float, float]:
    """From a pixel of the frame to one of the screen."""
    point = page.evaluate(
        "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.getElementById('overlay').getScreenCTM());"
        " return [p.x, p.y]; }",
        [x, y],
    )
    return point[0], point[1]


def test_a_missed_egg_is_drawn_and_shaped_by_its_handles(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("o")
    page.mouse.move(*to_screen(page, 60, 125))
    page.mouse.down()
    page.mouse.move(*to_screen(page, 80, 125))
    page.mouse.move(*to_screen(page, 100, 125))
    page.mouse.up()
    page.mouse.move(*to_screen(page, 80, 125 + 20 * 0.7))
    page.mouse.down()
    page.mouse.move(*to_screen(page, 80, 125 + 11))
    page.mouse.up()
    browser_user.press("f")
    browser_user.press_and_wait("Enter")
    egg = browser_user.state["eggs"][-1]
    assert egg["stage"] == "follicle"
    (outline,) = egg["outlines"].values()
    assert outline == pytest.approx([80, 125, 20, 11, 0], abs=1.0)
    segment = egg["segments"][0]
    assert segment["clip"] == browser_user.state["clips"][egg["best"][0]]["file"]


def test_a_missed_egg_is_drawn_by_keys_alone(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("o")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "Shift+ArrowRight", "Shift+ArrowDown", "."):
        browser_user.press(key)
    browser_user.press_and_wait("Enter")
    (ellipse,) = browser_user.state["eggs"][-1]["outlines"].values()
    assert ellipse[:2] == pytest.approx([96 + 6, 80 + 3])
    assert ellipse[4] == pytest.approx(5)


def test_part_of_a_clip_is_marked_unusable(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("]")
    browser_user.press("u")
    for _ in range(2):
        browser_user.press("Shift+ArrowRight")
    browser_user.press_and_wait("u")
    marked = [clip for clip in browser_user.state["clips"] if clip["unusable"]]
    assert len(marked) == 1
    first, last = marked[0]["unusable"][0]
    assert last - first == 20
    assert browser_user.page.locator("#timeline .unusable").count() == 1
    browser_user.press("ArrowLeft")
    browser_user.press_and_wait("u")
    assert not any(clip["unusable"] for clip in browser_user.state["clips"])


def test_the_clip_plays_with_its_outlines(browser_user: BrowserUser) -> None:
    from playwright.sync_api import expect

    page = browser_user.open().page
    browser_user.press("]")
    browser_user.press("Shift+ArrowRight")
    before = page.locator("#position").inner_text()
    browser_user.press("Space")
    where = page.locator("#position")
    expect(where).not_to_have_text(before)
    browser_user.press("Space")
    shown = re.findall(r"frame (\d+)", where.inner_text())[0]
    expect(page.locator("#picture")).to_have_attribute("data-shown", re.compile(rf"\d/{shown}"))
    page.wait_for_timeout(100)
    assert shown == re.findall(r"frame (\d+)", where.inner_text())[0]  # it has stopped
    browser_user.press("ArrowDown")  # the frame on the screen may show no egg
    expect(page.locator("#overlay ellipse.line")).not_to_have_count(0)


def test_the_second_of_two_users_is_asked(browser: Browser, browser_user: BrowserUser) -> None:
    other = BrowserUser(browser, browser_user.address, DESK, "Ned Rush")
    browser_user.open()
    other.open()
    other.page.route("**/updates*", lambda route: route.abort())  # so that no news arrives
    browser_user.press("1")
    browser_user.press_and_wait("n")
    other.press("1")
    other.press_and_wait("y")
    assert "Orla Finch" in other.page.locator("#conflict-rows").inner_text()
    assert verdicts(browser_user.state)[1] == "not-egg"
    with other.page.expect_response(lambda response: response.url.endswith("/answers")):
        other.page.get_by_role("button", name="Use mine").click()
    browser_user.page.locator("#history", has_text="Ned Rush").wait_for(timeout=9000)
    assert verdicts(browser_user.state)[1] == "egg"
    assert "Ned Rush" in browser_user.page.locator("#others").inner_text()
    assert [text for text in other.console_messages if "409" not in text and "ERR_FAILED" not in text] == []
    other.page.context.close()


def test_scripts_in_names_stay_text(browser_user: BrowserUser) -> None:
    link = browser_user.page.locator("a[href*='AF_']")
    assert "onfocus" in link.inner_text()
    link.click()
    browser_user.wait_until_shown()
    assert "onerror" in browser_user.page.locator(".species").inner_text()
    browser_user.press("m")
    browser_user.page.locator("#comment-text").fill("<img src=x onerror=alert(2)>")
    browser_user.page.get_by_role("button", name="Save").click()
    browser_user.page.locator("#history", has_text="alert(2)").wait_for()
    assert browser_user.page.locator("img[src=x]").count() == 0


def test_a_question_mark_lists_all_keys(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("?")
    listed = browser_user.page.locator("#key-rows").inner_text()
    for text in ("not an egg", "undo", "sign, or reopen", "play, pause", "unusable"):
        assert text in listed
    browser_user.press("Escape")
    assert not browser_user.page.locator("#key-list").is_visible()


def test_egg_numbers_are_as_large_on_the_screen_whatever_the_size_of_the_frame(browser_user: BrowserUser) -> None:
    height = "document.querySelector('.egg-number').getBoundingClientRect().height"
    assert 12 < browser_user.open().page.evaluate(height) < 25  # a line of text of 15 px


def test_a_wrong_password_is_reported_and_tried_once(browser: Browser, out: Path) -> None:
    with closing(Journal(out)) as journal:
        Users(journal).save(User("Orla Finch", "veterinarian", "sign"), "a long enough word")
    with running_server(out, needs_login=True) as address:
        page = browser.new_context(viewport=DESK).new_page()
        attempts: list[str] = []
        page.on("request", lambda request: attempts.append(request.method) if request.method == "POST" else None)
        page.goto(f"{address}/login")
        page.get_by_label("Name").fill("Orla Finch")
        page.get_by_label("Password").fill("a wrong word")
        page.get_by_role("button", name="Log in").click()
        page.locator("#message", has_text="Wrong name or password.").wait_for()
        assert attempts == ["POST"]
        page.get_by_label("Password").fill("a long enough word")
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url(f"{address}/")
        page.context.close()


def test_on_a_phone_a_missed_egg_is_drawn_and_saved_without_keys(browser: Browser, address: str) -> None:
    phone = BrowserUser(browser, address, PHONE).open()
    phone.page.locator("#outline").tap()
    phone.page.get_by_role("button", name="thin-shelled").first.tap()
    with phone.page.expect_response(lambda response: response.url.endswith("/answers")):
        phone.page.locator("#hint").get_by_role("button", name="save").tap()
    egg = phone.state["eggs"][-1]
    assert (egg["stage"], len(egg["outlines"])) == ("thin-shelled", 1)
    phone.assert_no_problems()
    phone.page.context.close()


def test_on_a_phone_nothing_overflows_and_signing_works(browser: Browser, address: str) -> None:
    phone = BrowserUser(browser, address, PHONE)
    for exam in (None, EXAM):
        if exam:
            phone.open(exam)
        assert phone.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        overflowing = phone.page.evaluate(
            "[...document.querySelectorAll('body *:not(svg *, option)')].filter(e => e.getBoundingClientRect().right > "
            "innerWidth + 1).map(e => e.className || e.tagName)"
        )
        assert overflowing == []
    phone.page.locator("#sign").tap()
    with phone.page.expect_response(lambda response: response.url.endswith("/answers")):
        phone.page.locator("#sign-now").tap()
    phone.page.wait_for_selector("#signature:visible")
    phone.page.locator("#signature a").tap()
    phone.page.wait_for_url("**/sheet")
    assert "Signed by Orla Finch" in phone.page.content()
    phone.assert_no_problems()
    phone.page.context.close()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_pages_break_no_accessibility_rule(browser: Browser, address: str, size: dict[str, int]) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()

    def violations(page: Page) -> list[str]:
        found = axe.run(page).response["violations"]
        return [f"{one['id']}: {[node['html'][:90] for node in one['nodes']]}" for one in found]

    user = BrowserUser(browser, address, size)
    assert violations(user.page) == []
    user.open()
    assert violations(user.page) == []
    user.press("3")
    user.press_and_wait("n")
    for key in ("o", "u", "e"):  # each shows a hint of its own
        user.press(key)
        assert violations(user.page) == []
        user.press("Escape")
    for key in ("?", "m", "g"):
        user.press(key)
        assert violations(user.page) == []
        user.page.keyboard.press("Escape")
    user.page.context.clear_cookies()
    user.page.goto(f"{address}/login")
    assert violations(user.page) == []
    user.page.context.close()
