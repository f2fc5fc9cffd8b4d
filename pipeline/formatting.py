"""Numbers and dates as text, the same on every page and in every table."""

from __future__ import annotations

import datetime as dt

from pipeline.language.catalogue import STORED
from pipeline.language.style import number_text
from pipeline.language.translation import pgettext, stored

__all__ = [
    "EN_DASH",
    "FRAME",
    "FRAMES",
    "MULTIPLICATION_SIGN",
    "date_text",
    "format_known",
    "format_signed",
    "frames_text",
    "moment_text",
    "number_text",
    "percent",
    "plural",
    "sentence_case",
    "short_date_text",
]

MULTIPLICATION_SIGN = "\N{MULTIPLICATION SIGN}"
EN_DASH = "\N{EN DASH}"
MINUS_SIGN = "\N{MINUS SIGN}"

# Stored sentences have dates, too.
MONTHS = (
    stored("January"), stored("February"), stored("March"), stored("April"), stored("May"), stored("June"),
    stored("July"), stored("August"), stored("September"), stored("October"), stored("November"), stored("December"),
)  # fmt: skip
DATE = stored("{day} {month} {year}")
FRAME, FRAMES = stored("{clip}, frame {first}"), stored("{clip}, frames {first} to {last}")
UNDER_ONE, OVER_99 = stored("under 1 %"), stored("over 99 %")


def date_text(date: dt.date) -> str:
    """The date in the language in use, whatever the machine's locale.

    >>> date_text(dt.date(2026, 5, 14))
    '14 May 2026'
    """
    return pgettext(STORED, DATE, day=date.day, month=_month(date), year=date.year)


def short_date_text(date: dt.date) -> str:
    """Day and month, as short as they are understood.

    >>> short_date_text(dt.date(2026, 5, 14))
    '14 May'
    """
    return pgettext("short date", "{day} {month}", day=date.day, month=_month(date)[:3])


def _month(date: dt.date) -> str:
    return pgettext(STORED, MONTHS[date.month - 1])


def moment_text(moment: dt.datetime) -> str:
    """Date and time of day, to the minute.

    >>> moment_text(dt.datetime(2026, 5, 14, 7, 5))
    '14 May 2026, 07:05'
    """
    return f"{date_text(moment.date())}, {moment:%H:%M}"


def frames_text(clip: str, first: int, last: int) -> str:
    """Where in a clip something is in view; pages make a link of it.

    >>> frames_text("left-1.mp4", 4, 9)
    'left-1.mp4, frames 4 to 9'
    """
    return pgettext(STORED, FRAMES, clip=clip, first=first, last=last)


def plural(number: int, noun: str) -> str:
    """The number with its noun, which takes an "s" unless there is exactly one. English only, for the terminal.

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
        return pgettext(STORED, UNDER_ONE)
    if 0.99 < probability < 1.0:
        return pgettext(STORED, OVER_99)
    return f"{100 * probability:.0f} %"


def sentence_case(text: str) -> str:
    """The text with a capital letter at its beginning, and all others as they are."""
    return text[:1].upper() + text[1:]


def format_signed(value: float, digits: int = 0) -> str:
    """The number with its sign and that many digits after the point. Zero has no sign.

    >>> format_signed(2.04, 1), format_signed(-0.01, 1), format_signed(3)
    ('+2.0', '0.0', '+3')
    """
    text = number_text(abs(value), f".{digits}f")
    if not float(f"{value:.{digits}f}"):
        return text
    return f"{MINUS_SIGN if value < 0 else '+'}{text}"


def format_known(value: float | None, form: str) -> str:
    """The number in that format, and "-" for one that is unknown.

    >>> format_known(0.913, ".0%"), format_known(None, ".0%")
    ('91%', '-')
    """
    return "-" if value is None else format(value, form)
