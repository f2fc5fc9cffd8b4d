"""Rules of accessible pages (WCAG), checked by axe-core in a real browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page

__all__ = ["broken_rules"]


def broken_rules(page: Page) -> list[str]:
    """What the page as it is shown breaks, in light and in dark, of which only the contrast depends."""
    script = pytest.importorskip("axe_playwright_python.base").AXE_SCRIPT
    if not page.evaluate("'axe' in window"):  # it is large, so once for each page
        page.evaluate(script)
    broken: list[str] = []
    for scheme, options in (("dark", {"runOnly": ["color-contrast"]}), ("light", {})):
        page.emulate_media(color_scheme=scheme)
        found = page.evaluate("(options) => axe.run(options)", {"resultTypes": ["violations"], **options})
        broken += [
            f"{scheme}: {one['id']}: {[node['html'][:90] for node in one['nodes']]}" for one in found["violations"]
        ]
    return broken
