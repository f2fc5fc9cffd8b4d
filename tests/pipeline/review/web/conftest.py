"""A logged-in user's window at a desk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.pipeline.review.web.browser_user import DESK, BrowserUser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture
def browser_user(browser: Browser, address: str) -> Iterator[BrowserUser]:
    user = BrowserUser(browser, address, DESK)
    yield user
    user.assert_no_problems()
    user.page.context.close()
