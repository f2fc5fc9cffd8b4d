"""Renders the review pages from their templates: values are escaped, missing ones are errors."""

from __future__ import annotations

from typing import Any

from fastapi.responses import HTMLResponse

from pipeline.report.rendering import page_environment

__all__ = ["render_page"]


def render_page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """The page. Every value is escaped."""
    text = page_environment("pipeline.review.web").get_template(template).render(**values)
    # File names of invalid Unicode are shown with their bytes as escapes.
    return HTMLResponse(text.encode("utf-8", "backslashreplace"), status)
