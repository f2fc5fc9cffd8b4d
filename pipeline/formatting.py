"""Numbers and dates as people write them, the same on every page and in every table."""

from __future__ import annotations

import datetime as dt

__all__ = ["EN_DASH", "MONTHS", "MULTIPLICATION_SIGN", "date_text", "percent", "plural"]

MULTIPLICATION_SIGN = "\N{MULTIPLICATION SIGN}"
EN_DASH = "\N{EN DASH}"

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def date_text(date: dt.date) -> str:
    """14 May 2026, whatever the machine's language."""
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def plural(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def percent(probability: float) -> str:
    """Whole per cent; never 0 % or 100 % of something that is not certain."""
    if 0.0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1.0:
        return "over 99 %"
    return f"{100 * probability:.0f} %"
