"""Numbers and dates as text, the same on every page and in every table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Literal

__all__ = [
    "EN_DASH",
    "MONTHS",
    "MULTIPLICATION_SIGN",
    "date_text",
    "format_known",
    "format_signed",
    "moment_text",
    "number_style",
    "number_text",
    "percent",
    "plural",
]

MULTIPLICATION_SIGN = "\N{MULTIPLICATION SIGN}"
EN_DASH = "\N{EN DASH}"
MINUS_SIGN = "\N{MINUS SIGN}"

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


DecimalMark = Literal[".", ","]
_decimal_mark: ContextVar[DecimalMark] = ContextVar("decimal_mark", default=".")


@contextmanager
def number_style(decimal_mark: DecimalMark) -> Iterator[None]:
    """Inside it, numbers in text have that decimal mark, and the other one between thousands.

    >>> with number_style(","):
    ...     number_text(1234.5, ",.1f")
    '1.234,5'
    """
    before = _decimal_mark.set(decimal_mark)
    try:
        yield
    finally:
        _decimal_mark.reset(before)


def number_text(value: float, form: str = ",") -> str:
    """The number in a format of Python, with the marks that are in use; by default whole, with thousands apart.

    >>> number_text(1200), number_text(38.25, ".1f")
    ('1,200', '38.2')
    """
    text = format(value, form)
    return text.translate(_SWAPPED_MARKS) if _decimal_mark.get() == "," else text


_SWAPPED_MARKS = str.maketrans(".,", ",.")


def date_text(date: dt.date) -> str:
    """The date in English, whatever the machine's locale.

    >>> date_text(dt.date(2026, 5, 14))
    '14 May 2026'
    """
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def moment_text(moment: dt.datetime) -> str:
    """Date and time of day, to the minute.

    >>> moment_text(dt.datetime(2026, 5, 14, 7, 5))
    '14 May 2026, 07:05'
    """
    return f"{date_text(moment.date())}, {moment:%H:%M}"


def plural(number: int, noun: str) -> str:
    """The number with its noun, which takes an "s" unless there is exactly one.

    >>> plural(1, "egg"), plural(1200, "egg")
    ('1 egg', '1,200 eggs')
    """
    return f"{number_text(number)} {noun}{'' if number == 1 else 's'}"


def percent(probability: float) -> str:
    """The probability in whole per cent. "0 %" and "100 %" appear only where the probability is exactly 0 or 1.

    >>> percent(0.82), percent(0.996)
    ('82 %', 'over 99 %')
    """
    if 0.0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1.0:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def format_signed(value: float, digits: int = 0) -> str:
    """The number with its sign and that many digits after the point. Zero has no sign.

    >>> format_signed(2.04, 1), format_signed(-0.01, 1), format_signed(3)
    ('+2.0', '0.0', '+3')
    """
    text = f"{abs(value):.{digits}f}"
    if not float(text):
        return text
    return f"{MINUS_SIGN if value < 0 else '+'}{text}"


def format_known(value: float | None, form: str) -> str:
    """The number in that format, and "-" for one that is unknown.

    >>> format_known(0.913, ".0%"), format_known(None, ".0%")
    ('91%', '-')
    """
    return "-" if value is None else format(value, form)
