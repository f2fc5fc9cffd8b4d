"""The language in use, and how numbers look in it. Each thread and each request has its own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Literal

from pipeline.language.catalogue import SOURCE_LANGUAGE, translations

__all__ = ["DecimalMark", "current_language", "number_text", "page_style", "stored_style"]

DecimalMark = Literal["", ".", ","]
"""Empty for that of the language."""


@dataclass(frozen=True)
class _Style:
    language: str = SOURCE_LANGUAGE
    decimal_mark: str = "."


_STORED_STYLE = _Style()
_style: ContextVar[_Style] = ContextVar("style", default=_STORED_STYLE)


@contextmanager
def page_style(language: str = SOURCE_LANGUAGE, decimal_mark: DecimalMark = "") -> Iterator[None]:
    """Inside it, text is in that language, and numbers have that decimal mark and the other one between thousands.

    >>> with page_style(decimal_mark=","):
    ...     number_text(1234.5, ",.1f")
    '1.234,5'
    """
    mark = decimal_mark or translations(language).pgettext("decimal mark", ".")
    before = _style.set(_Style(language, mark))
    try:
        yield
    finally:
        _style.reset(before)


def stored_style() -> AbstractContextManager[None]:
    """Inside it, text is as results store it, whatever the pages are in."""
    return page_style(_STORED_STYLE.language, ".")


def current_language() -> str:
    """As a BCP 47 tag, for the ``lang`` of a page."""
    return _style.get().language


def number_text(value: float, form: str = ",") -> str:
    """The number in a format of Python, with the marks that are in use; by default whole, with thousands apart.

    >>> number_text(1200), number_text(38.25, ".1f")
    ('1,200', '38.2')
    """
    text = format(value, form)
    return text.translate(_SWAPPED_MARKS) if _style.get().decimal_mark == "," else text


_SWAPPED_MARKS = str.maketrans(".,", ",.")
