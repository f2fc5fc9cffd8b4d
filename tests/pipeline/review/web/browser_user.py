"""A user of the review pages in a real browser."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.pipeline.review.conftest import EXAM

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

__all__ = ["DESK", "PHONE", "SMALL_DESK", "SMALL_PHONE", "BrowserUser", "to_screen", "verdicts"]

DESK, SMALL_DESK = {"width": 1280, "height": 860}, {"width": 1024, "height": 768}
PHONE, SMALL_PHONE = {"width": 390, "height": 844}, {"width": 360, "height": 640}


class BrowserUser:
    """A logged-in user's window. console_messages : of the browser;  foreign_requests : not to the page's own server"""

    def __init__(
        self,
        browser: Browser,
        address: str,
        size: dict[str, int],
        name: str = "Orla Finch",
        context: BrowserContext | None = None,
    ) -> None:
        context = context or browser.new_context(viewport=size, has_touch=size["width"] < 500)
        self.address = address
        self.page: Page = context.new_page()
        self.console_messages: list[str] = []
        self.foreign_requests: list[str] = []
        self.keys_pressed = 0
        self.page.on("console", lambda message: self.console_messages.append(message.text))
        self.page.on("pageerror", lambda error: self.console_messages.append(str(error)))
        self.page.on("dialog", lambda dialog: self.console_messages.append(f"a script's dialog: {dialog.message}"))
        self.page.on("request", lambda r: None if r.url.startswith(address) else self.foreign_requests.append(r.url))
        # As the login page does, which one test fills in.
        for path, content in (("/login/names", {"name": name, "role": "veterinarian"}), ("/login", {"name": name})):
            assert context.request.post(address + path, data=content).ok
        self.page.goto(address)

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


def verdicts(state: Any) -> dict[int, str | None]:
    return {egg["number"]: egg["verdict"] for egg in state["eggs"]}


def to_screen(page: Page, x: float, y: float) -> tuple[float, float]:
    """From a pixel of the frame to one of the screen."""
    point = page.evaluate(
        "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.getElementById('overlay').getScreenCTM());"
        " return [p.x, p.y]; }",
        [x, y],
    )
    return point[0], point[1]
