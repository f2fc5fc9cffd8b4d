"""The review pages in a real browser: addresses, the history, and what stands beside an exam."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from playwright.sync_api import expect

from tests.pipeline.review.conftest import EXAM, UNCERTAIN_EXAM
from tests.pipeline.review.web.browser_user import DESK, BrowserUser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_the_history_has_the_time_of_this_computer(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport=DESK, timezone_id="Pacific/Auckland")
    user = BrowserUser(browser, address, DESK, context=context).open()
    user.press_and_wait("y")
    shown = user.page.locator("#history time")
    at = dt.datetime.fromisoformat(shown.get_attribute("datetime") or "").astimezone(ZoneInfo("Pacific/Auckland"))
    assert f"{at:%H:%M}" in shown.inner_text()
    context.close()


def test_an_address_leads_to_its_egg_and_frame_also_through_the_login(browser: Browser, address: str) -> None:
    user = BrowserUser(browser, address, DESK)
    user.open(f"{EXAM}?clip=right-1.mp4&frame=17")
    assert "frame 17" in user.page.locator("#position").inner_text()
    user.press("5")
    user.page.wait_for_url("**egg=5**")
    user.page.context.clear_cookies()
    user.page.goto(f"{address}{EXAM}#egg=5")
    user.page.wait_for_url("**/login?next=**")
    user.page.get_by_role("button", name="Continue", exact=True).click()
    user.wait_until_shown()
    assert user.page.locator("#chosen").inner_text().startswith("Egg 5")
    user.page.context.close()


def test_somebody_new_logs_in_on_the_login_page(browser: Browser, address: str) -> None:
    page = browser.new_context(viewport=DESK).new_page()
    page.goto(address)
    page.get_by_label("New name").fill("Ada Wren")
    page.get_by_label("Role").fill("veterinarian")
    page.get_by_role("button", name="Add and continue").click()
    page.wait_for_url(f"{address}/")
    assert "Ada Wren, veterinarian" in page.locator(".who").inner_text()
    page.context.close()


def test_the_way_back_keeps_the_filters(browser_user: BrowserUser) -> None:
    page = browser_user.page
    page.goto(f"{browser_user.address}/?show=all&animal=AF-0412")
    page.locator("a", has_text="AF-0412").click()
    browser_user.wait_until_shown()
    page.locator("#worklist").click()
    page.wait_for_url("**/?show=all&animal=AF-0412")


def test_an_outcome_is_recorded_on_the_page(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    page.get_by_role("button", name="record an outcome").click()
    page.get_by_label("Number of eggs").fill("6")
    page.get_by_role("button", name="Record", exact=True).click()
    expect(page.locator("#outcomes li")).to_contain_text("laid: 6")


def test_her_last_exam_stands_beside_this_one(browser_user: BrowserUser) -> None:
    page = browser_user.page
    page.goto(f"{browser_user.address}/exams/AF-0413/2026-05-14")
    page.wait_for_selector("canvas[data-shown]")
    page.locator("#last-exam").click()
    columns = page.locator("#last-exam-columns section")
    expect(columns).to_have_count(2)
    assert "20 April 2026" in columns.first.inner_text()
    assert columns.first.locator("img").count() == 2


def test_a_remark_stands_with_its_egg(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("3")
    browser_user.press("m")
    page.locator("#comment-text").fill("fissure?")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#eggs li").nth(2)).to_contain_text("Orla Finch: fissure?")


def test_frames_that_a_flag_names_open_the_clip_there(browser_user: BrowserUser) -> None:
    page = browser_user.open(UNCERTAIN_EXAM).page
    link = page.locator("#flags a", has_text="left-1.mp4, frames")
    first = re.findall(r"frames (\d+)", link.inner_text())[0]
    link.click()
    expect(page.locator("#position")).to_contain_text(f"frame {first}")
    page.goto(browser_user.address + UNCERTAIN_EXAM + (link.get_attribute("href") or ""))
    expect(page.locator("#position")).to_contain_text(f"frame {first}")
