"""The review pages in a real browser, with a real server and the store of a real batch."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.people.journal import Journal
from pipeline.people.users import User, Users
from tests.pipeline.review.conftest import UNCERTAIN_EXAM, running_server
from tests.pipeline.review.web.browser_user import DESK, BrowserUser, verdicts

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_eight_eggs_with_two_corrections_take_at_most_eight_keys(browser_user: BrowserUser) -> None:
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
    browser_user.press("a")
    assert "1, 2, 4, 6, 7, 8" in browser_user.page.locator("#confirm-summary").inner_text()
    browser_user.press_and_wait("g")
    browser_user.page.locator("#sign-dialog[open]").wait_for()
    browser_user.press_and_wait("Enter")
    after = browser_user.state
    assert browser_user.keys_pressed <= 8
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
    without_one = figure.inner_text()
    browser_user.press("4")
    browser_user.press_and_wait("n")
    # Fewer eggs found also means fewer that may have been missed.
    assert int(figure.inner_text()) <= int(without_one) - 1 <= int(start) - 2
    assert browser_user.page.locator("#clips [aria-pressed=true]").count() == 1
    browser_user.press_and_wait("z")
    browser_user.press_and_wait("z")
    assert figure.inner_text() == start
    browser_user.press_and_wait("Z")
    assert figure.inner_text() == without_one


def test_merge_and_split_by_key(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("1")
    browser_user.press("e")
    browser_user.press("6")
    pictures = browser_user.page.locator("#comparison img")
    assert [picture.get_attribute("alt") for picture in pictures.all()] == [
        f"Number {number} where it is seen best" for number in (1, 6)
    ]
    browser_user.press_and_wait("Enter")
    merged = browser_user.state
    assert {segment["clip"] for segment in merged["eggs"][0]["segments"]} == {"left-1.mp4", "right-1.mp4"}
    assert 6 not in verdicts(merged)
    browser_user.press_and_wait("d")  # the segment in view is another egg
    split = browser_user.state
    assert len(split["eggs"]) == 8
    assert split["eggs"][-1]["number"] == 9
    assert len(split["eggs"][0]["segments"]) == 1


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


def test_an_uncertain_candidate_must_be_answered_before_signing(browser_user: BrowserUser) -> None:
    page = browser_user.open(UNCERTAIN_EXAM).page
    assert page.locator("#remaining").inner_text() == "1 to review"
    browser_user.press("g")
    page.locator("#message", has_text="Number 1 is uncertain and not counted").wait_for()
    assert not page.locator("#sign-dialog").is_visible()
    browser_user.press_and_wait("l")
    assert page.locator("#eggs .verdict").inner_text() == "cannot tell"
    assert page.locator("#remaining").inner_text() == "all reviewed"
    browser_user.press("g")
    browser_user.press_and_wait("Enter")
    assert page.locator("#signature").is_visible()


def test_the_stamp_of_a_follicle_says_follicle(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("2")
    browser_user.press_and_wait("f")
    assert browser_user.page.locator("#eggs li").nth(1).locator(".verdict").inner_text() == "follicle"


def test_focus_goes_to_the_chosen_egg_which_is_read_out(browser_user: BrowserUser) -> None:
    browser_user.open()
    browser_user.press("7")
    name = browser_user.page.evaluate("document.activeElement.ariaLabel")
    best = browser_user.state["eggs"][6]
    assert name == f"Egg 7, calcified, {best['certainty']}, frame {best['best'][1]}"
    browser_user.press("ArrowDown")
    assert browser_user.page.evaluate("document.activeElement.ariaLabel").startswith("Egg 8")


def test_single_letters_can_be_switched_off(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("?")
    page.get_by_label("Single letters").uncheck()
    page.locator("#key-list").get_by_role("button", name="Close").click()
    page.reload()
    browser_user.wait_until_shown()
    for key in ("n", "a", "g", "3", "?"):
        browser_user.press(key)
    assert page.locator("dialog[open]").count() == 0
    assert browser_user.state["head"] == 0
    browser_user.press("ArrowDown")  # is no letter
    page.locator("#keys").click()
    page.get_by_label("Single letters").check()
    browser_user.press("Escape")
    browser_user.press_and_wait("n")


def test_what_was_confirmed_at_once_is_undone_from_the_message(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("a")
    browser_user.press("Escape")
    assert browser_user.state["head"] == 0
    browser_user.press("a")
    browser_user.press_and_wait("Enter")
    with page.expect_response(lambda response: response.url.endswith("/answers")):
        page.locator("#message").get_by_role("button", name="Undo").click()
    page.locator("#remaining", has_text="8 to review").wait_for()
    first = page.locator("#history li").last
    assert first.locator(".sequence").inner_text() == "1"
    assert "(undone)" in first.inner_text()
