"""How a page is made from its template: escaped, strict, self-contained."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render"]


def render(template: str, **values: Any) -> bytes:
    """The page as UTF-8. Every value is escaped; a value that the template lacks is an error."""
    page = _environment().get_template(template).render(**values)
    # A file name that is no valid Unicode is shown with its odd bytes spelled out.
    return (page.rstrip() + "\n").encode("utf-8", "backslashreplace")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("pipeline.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
