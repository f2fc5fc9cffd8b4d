"""Renders the review pages from their templates: values are escaped, missing ones are errors."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fastapi.responses import HTMLResponse

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render_page"]


def render_page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """The page. Every value is escaped."""
    text = _environment().get_template(template).render(**values)
    # File names of invalid Unicode are shown with their bytes as escapes.
    return HTMLResponse(text.encode("utf-8", "backslashreplace"), status)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("pipeline.review.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
