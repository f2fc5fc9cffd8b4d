"""Pages from templates: every value escaped, missing values are errors, nothing loaded from outside."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["page_environment", "render"]


def render(template: str, **values: Any) -> bytes:
    """The page as UTF-8. Every value is escaped. Raises UndefinedError for a value that the template lacks."""
    page = page_environment("pipeline.report").get_template(template).render(**values)
    # A file name that is not valid Unicode is shown with its invalid bytes as escapes.
    return (page.rstrip() + "\n").encode("utf-8", "backslashreplace")


@cache
def page_environment(package: str) -> Environment:
    """The environment of the templates in the folder ``templates`` of a package."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
