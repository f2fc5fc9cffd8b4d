"""Seasons: the years into which the exams of a station fall. A season need not begin in January."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

__all__ = ["Season", "season_of"]


@dataclass(frozen=True, order=True)
class Season:
    """Twelve months. first : its first day"""

    first: dt.date

    @property
    def end(self) -> dt.date:
        """The first day after it."""
        return self.first.replace(year=self.first.year + 1)

    @property
    def name(self) -> str:
        """The calendar year, or both years of a season that spans two.

        >>> Season(dt.date(2026, 1, 1)).name, Season(dt.date(2026, 7, 1)).name
        ('2026', '2026-2027')
        """
        year = self.first.year
        return str(year) if self.first.month == 1 else f"{year}-{year + 1}"


def season_of(date: dt.date, first_month: int) -> Season:
    """The season of a day. first_month : in which seasons begin, 1 to 12"""
    return Season(dt.date(date.year - (date.month < first_month), first_month, 1))
