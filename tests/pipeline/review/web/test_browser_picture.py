"""The picture on an exam's page in a real browser: playing, drawing, outlines, zoom, calipers."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from tests.pipeline.review.web.browser_user import DESK, PHONE, BrowserUser, to_screen

if TYPE_CHECKING:
    from playwright.sync_api import Browser

NUMBERS_INSIDE_OUTLINES = """() => {
  const ellipses = [...document.querySelectorAll('#overlay ellipse.line')];
  return [...document.querySelectorAll('#overlay .egg-number')].flatMap((number) => {
    const box = number.getBoundingClientRect();
    return ellipses.filter((ellipse) => {
      const point = new DOMPoint(box.x + box.width / 2, box.y + box.height / 2);
      const inside = point.matrixTransform(ellipse.getScreenCTM().inverse());
      const [cx, cy, rx, ry] = ['cx', 'cy', 'rx', 'ry'].map((name) => Number(ellipse.getAttribute(name)));
      return ((inside.x - cx) / rx) ** 2 + ((inside.y - cy) / ry) ** 2 < 1;
    }).map(() => number.textContent);
  });
}"""

CHOSEN_IS_IN_VIEW = """() => {
  const [egg, screen] = ['#overlay ellipse.line.selected', '#screen']
    .map((selector) => document.querySelector(selector).getBoundingClientRect());
  const [x, y] = [egg.x + egg.width / 2, egg.y + egg.height / 2];
  return x > screen.left && x < screen.right && y > screen.top && y < screen.bottom;
}"""


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


def test_on_a_phone_a_missed_egg_is_drawn_and_saved_without_keys(browser: Browser, address: str) -> None:
    phone = BrowserUser(browser, address, PHONE).open()
    phone.page.locator("#outline").tap()
    phone.page.get_by_role("button", name="thin-shelled").first.tap()
    with phone.page.expect_response(lambda response: response.url.endswith("/answers")):
        phone.page.locator("#hint").get_by_role("button", name="Keep").tap()
    egg = phone.state["eggs"][-1]
    assert (egg["stage"], len(egg["outlines"])) == ("thin-shelled", 1)
    phone.assert_no_problems()
    phone.page.context.close()


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


def test_egg_numbers_are_as_large_on_the_screen_whatever_the_size_of_the_frame(browser_user: BrowserUser) -> None:
    height = "document.querySelector('.egg-number').getBoundingClientRect().height"
    assert 12 < browser_user.open().page.evaluate(height) < 25  # a line of text of 15 px


def test_while_an_outline_is_drawn_nothing_else_can_be_answered_or_shown(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    where = page.locator("#position").inner_text()
    browser_user.press("o")
    for key in ("y", "n", "3", "]", "Space", "ArrowDown", "a", "g"):
        browser_user.press(key)
    page.locator("#timeline").click()
    page.locator("#eggs li").nth(4).click()
    assert page.locator("#position").inner_text() == where
    assert page.locator("#answers button:enabled").count() == 0
    assert page.locator("#frame").is_disabled()
    assert page.locator("#clips button:enabled").count() == 0
    page.locator("#hint").get_by_role("button", name="Cancel").click()
    assert page.locator("#overlay .drawn").count() == 0
    assert browser_user.state["head"] == 0
    assert page.locator("#frame").is_enabled()


def test_an_outline_is_reshaped(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("2")
    browser_user.press("r")
    browser_user.press("Shift+ArrowRight")
    browser_user.press_and_wait("Enter")
    egg = browser_user.state["eggs"][1]
    (reshaped,) = egg["reshaped"]
    assert (reshaped["frame"], egg["verdict"]) == (egg["best"][1], "egg")
    widths = page.evaluate(
        "[...document.querySelectorAll('#overlay ellipse.line.selected')].map((e) => e.rx.baseVal.value)"
    )
    assert widths[0] > reshaped["ellipse"][2]  # the line is outside the outline


def test_the_slider_covers_the_clip_that_opens_first_and_play_begins_again(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    assert page.locator("#frame").get_attribute("max") == "39"
    browser_user.press("1")
    first = browser_user.state["eggs"][0]["segments"][0]["first"]
    page.locator("#frame").fill("39")
    expect(page.locator("#position")).to_contain_text("frame 39")
    browser_user.press("h")  # half speed
    browser_user.press("Space")
    page.wait_for_timeout(150)
    browser_user.press("Space")
    shown = int(re.findall(r"frame (\d+)", page.locator("#position").inner_text())[0])
    assert first <= shown < 20


def test_an_eggs_frames_play_again_and_again(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("1")
    segment = browser_user.state["eggs"][0]["segments"][0]
    browser_user.press("p")
    page.locator("#frame").fill(str(segment["last"] - 1))
    browser_user.press("Space")
    page.wait_for_timeout(400)
    assert page.locator("#play").inner_text() == "pause"
    shown = int(re.findall(r"frame (\d+)", page.locator("#position").inner_text())[0])
    assert segment["first"] <= shown <= segment["last"]
    browser_user.press("Space")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_numbers_stand_beside_the_outlines(browser: Browser, address: str, size: dict[str, int]) -> None:
    user = BrowserUser(browser, address, size).open()
    assert user.page.locator("#overlay .egg-number").count() >= 5
    assert user.page.evaluate(NUMBERS_INSIDE_OUTLINES) == []
    sizes = (
        "[...document.querySelectorAll('.egg-number')]"
        ".map((number) => parseFloat(getComputedStyle(number).fontSize) * number.getScreenCTM().a)"
    )
    assert min(user.page.evaluate(sizes)) >= 11
    user.page.context.close()


def test_an_outline_is_chosen_by_pointing_at_it(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("1")
    at = page.locator("#position").inner_text()
    outline = page.evaluate("fetch(location.pathname + '/clips/0/outlines').then((r) => r.json())")["tracks"]
    egg = next(egg for egg in browser_user.state["eggs"] if egg["number"] == 4)
    track = outline[str(egg["segments"][0]["track"])]
    frame = int(re.findall(r"frame (\d+)", at)[0])
    x, y = track["ellipses"][track["frames"].index(frame)][:2]
    page.mouse.click(*to_screen(page, x, y))
    assert page.locator("#chosen").inner_text().startswith("Egg 4")
    assert page.locator("#position").inner_text() == at
    browser_user.press("v")
    assert page.locator("#overlay ellipse").count() == 0


def test_the_picture_is_zoomed_about_the_pointer_and_moved(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    before = to_screen(page, 60, 60)
    page.mouse.move(*before)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -100)
    page.mouse.wheel(0, -100)
    page.keyboard.up("Control")
    expect(page.locator("#screen")).to_have_class("screen zoomed")
    assert to_screen(page, 60, 60) == pytest.approx(before, abs=1.5)
    page.mouse.down()
    page.mouse.move(before[0] + 10, before[1], steps=4)
    page.mouse.move(before[0] + 40, before[1], steps=4)
    page.mouse.up()
    assert to_screen(page, 60, 60)[0] == pytest.approx(before[0] + 40, abs=6)  # less what tells a drag from a click
    for egg in browser_user.state["eggs"]:  # the part that is shown follows to eggs beyond it
        if egg["best"][0] == 0:
            browser_user.press(str(egg["number"]))
            assert page.evaluate(CHOSEN_IS_IN_VIEW)
    page.get_by_role("button", name="whole").click()
    expect(page.locator("#screen")).to_have_class("screen")


def test_two_fingers_zoom_the_picture_and_not_the_page(browser: Browser, address: str) -> None:
    phone = BrowserUser(browser, address, PHONE).open()
    page, middle = phone.page, to_screen(phone.page, 96, 80)
    chosen = page.locator("#chosen").inner_text()
    touch = page.context.new_cdp_session(page)

    def pinch(*half_distances: int) -> None:
        for step, half in enumerate(half_distances):
            fingers = [{"x": middle[0] + side * half, "y": middle[1], "id": side + 1} for side in (-1, 1)]
            kind = "touchMove" if step else "touchStart"
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    pinch(30, 38, 48, 60)
    expect(page.locator("#screen")).to_have_class("screen zoomed")
    width = "document.getElementById('overlay').viewBox.baseVal.width"
    assert page.evaluate(width) == pytest.approx(192 / 2, rel=0.02)
    assert to_screen(page, 96, 80) == pytest.approx(middle, abs=2)
    assert page.evaluate("visualViewport.scale") == 1
    assert page.locator("#chosen").inner_text() == chosen  # no finger pointed at an egg
    pinch(60, 40, 25)
    expect(page.locator("#screen")).to_have_class("screen")
    assert page.evaluate(width) == 192
    phone.assert_no_problems()
    page.context.close()


def test_calipers_measure_in_mm(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    browser_user.press("s")
    page.mouse.move(*to_screen(page, 40, 40))
    page.mouse.down()
    page.mouse.move(*to_screen(page, 60, 40), steps=3)
    page.mouse.move(*to_screen(page, 80, 70), steps=3)
    page.mouse.up()
    length = float(page.locator("#hint b").inner_text().removesuffix(" mm"))
    assert length == pytest.approx(50 * 0.5, abs=0.6)  # 3-4-5; the clip has 0.5 mm per pixel
    browser_user.press("ArrowRight")
    assert float(page.locator("#hint b").inner_text().removesuffix(" mm")) > length
    browser_user.press("Escape")
    assert page.locator("#overlay .caliper").count() == 0


def test_brightness_and_contrast_are_kept(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    page.locator("#brightness").fill("150")
    page.reload()
    browser_user.wait_until_shown()
    assert "brightness(150%)" in page.locator("#picture").evaluate("(canvas) => canvas.style.filter")
    page.get_by_role("button", name="as recorded").click()
    assert page.locator("#picture").evaluate("(canvas) => canvas.style.filter") == ""


def test_the_depth_scale_begins_at_the_probe(browser_user: BrowserUser) -> None:
    page = browser_user.open().page
    expect(page.locator("#overlay text.depth").first).to_have_text("0 mm")
    y = page.evaluate("Number(document.querySelector('#overlay line.depth').getAttribute('y1'))")
    assert y == pytest.approx(10, abs=2)  # the sector of the simulated screen
    browser_user.press("x")
    assert page.locator("#overlay .depth").count() == 0
    browser_user.press("x")


def test_the_first_frame_is_shown_at_once(browser_user: BrowserUser) -> None:
    browser_user.open()
    shown_ms = browser_user.page.evaluate(
        "performance.getEntriesByType('resource').filter((r) => r.name.includes('/frames/'))[0].responseEnd"
    )
    assert shown_ms < 2000  # on a machine that runs other tests; on idle cores it takes less than one second
