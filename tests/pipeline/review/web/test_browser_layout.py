"""How the pages stand on screens of any size, in the dark, for assistive software, and on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.pipeline.accessibility import broken_rules
from tests.pipeline.review.conftest import EXAM, UNCERTAIN_EXAM
from tests.pipeline.review.web.browser_user import DESK, PHONE, SMALL_DESK, SMALL_PHONE, BrowserUser

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SIZES = {"desk": DESK, "small desk": SMALL_DESK, "phone": PHONE, "small phone": SMALL_PHONE}
ZOOMED = {"width": 640, "height": 430}  # a desk at 200 %

IN_VIEW = """(selectors) => selectors.every((selector) => {
  const box = document.querySelector(selector).getBoundingClientRect();
  return box.height > 0 && box.top >= -1 && box.bottom <= innerHeight + 1;
})"""

SMALL_TARGETS = """() => [...document.querySelectorAll('button, select, input, [role=option], a')]
  .filter((one) => one.checkVisibility() && !(one.tagName === 'A' && getComputedStyle(one).display === 'inline'))
  .map((one) => [one.id || one.textContent, one.getBoundingClientRect()])
  .filter(([, box]) => box.width < 24 || box.height < 24)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)"""


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())
def test_picture_and_answers_are_in_view_whatever_egg_is_chosen(
    browser: Browser, address: str, size: dict[str, int]
) -> None:
    user = BrowserUser(browser, address, size).open()
    both = ["#picture", "#answers"]
    assert user.page.evaluate(IN_VIEW, both)
    for number in (7, 8):
        entry = user.page.locator("#eggs li").nth(number - 1)
        entry.scroll_into_view_if_needed()
        entry.click()
        assert user.page.locator("#chosen").inner_text().startswith(f"Egg {number}")
        assert user.page.evaluate(IN_VIEW, both)
    user.press("1")
    assert user.page.evaluate(IN_VIEW, both)
    user.page.context.close()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_targets_are_large_enough(browser: Browser, address: str, size: dict[str, int]) -> None:
    user = BrowserUser(browser, address, size)
    assert user.page.evaluate(SMALL_TARGETS) == []
    user.open()
    assert user.page.evaluate(SMALL_TARGETS) == []
    user.press("o")
    assert user.page.evaluate(SMALL_TARGETS) == []
    user.page.context.close()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_outline_of_a_focused_line_covers_no_text(browser: Browser, address: str, size: dict[str, int]) -> None:
    page = BrowserUser(browser, address, size).page
    page.keyboard.press("ArrowDown")  # without a mouse, so the focus is visible
    assert page.evaluate(
        """() => {
          const line = document.activeElement.closest('[data-line]');
          const style = getComputedStyle(line), box = line.getBoundingClientRect();
          const inset = -parseFloat(style.outlineOffset);
          const texts = [...line.cells].flatMap((cell) => {
            const text = document.createRange();
            text.selectNodeContents(cell);
            return [...text.getClientRects()];
          });
          return style.outlineStyle === 'solid' && inset >= parseFloat(style.outlineWidth)
            && getComputedStyle(document.activeElement).outlineStyle === 'none'
            && texts.every((text) => text.top >= box.top + inset && text.bottom <= box.bottom - inset);
        }"""
    )
    page.context.close()


def test_the_timeline_is_drawn_anew_when_the_window_changes(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    drawn = "document.querySelector('#timeline svg').viewBox.baseVal.width"
    shown = "document.querySelector('#timeline').clientWidth"
    assert page.evaluate(f"{drawn} - {shown}") == 0
    page.set_viewport_size({"width": 700, "height": 860})
    page.wait_for_timeout(200)
    assert page.evaluate(f"{drawn} - {shown}") == 0


def test_the_printed_page_holds_what_was_found_and_no_controls(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    page.emulate_media(media="print")
    assert page.locator("button:visible, input:visible").count() == 0
    assert page.locator("#eggs li:visible").count() == 8
    assert page.locator("#picture").is_visible()


def test_messages_cover_no_control_and_go(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("a")
    browser_user.press_and_wait("Enter")
    page.locator("#message", has_text="8 confirmed.").wait_for()
    covered = page.evaluate(
        """() => {
          const message = document.getElementById('message').getBoundingClientRect();
          return [...document.querySelectorAll('button, input, [role=option]')]
            .filter((one) => one.checkVisibility() && !one.closest('#message, dialog'))
            .map((one) => one.getBoundingClientRect())
            .filter((box) => box.top < message.bottom && box.bottom > message.top
              && box.left < message.right && box.right > message.left).length;
        }"""
    )
    assert covered == 0
    page.wait_for_timeout(3300)
    assert page.locator("#message").inner_text() == ""


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
    assert "Signed by <b>Orla Finch</b>" in phone.page.content()
    phone.assert_no_problems()
    phone.page.context.close()


@pytest.mark.parametrize("size", [DESK, PHONE, ZOOMED], ids=["desk", "phone", "desk at 200 %"])
def test_pages_break_no_accessibility_rule(browser: Browser, address: str, size: dict[str, int]) -> None:
    user = BrowserUser(browser, address, size)
    assert broken_rules(user.page) == []
    user.open()
    assert broken_rules(user.page) == []
    user.open(UNCERTAIN_EXAM)
    assert broken_rules(user.page) == []
    user.open()
    user.press("3")
    user.press_and_wait("n")
    for key in ("o", "u", "e", "s", "r"):  # each shows a hint of its own
        user.press(key)
        assert broken_rules(user.page) == []
        user.press("Escape")
    for key in ("?", "m", "g", "a"):
        user.press(key)
        assert broken_rules(user.page) == []
        user.page.keyboard.press("Escape")
    user.page.context.clear_cookies()
    user.page.goto(f"{address}/login")
    assert broken_rules(user.page) == []
    user.page.context.close()
