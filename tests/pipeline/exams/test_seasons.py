"""Every day is in one season of twelve months."""

from __future__ import annotations

import datetime as dt

from hypothesis import given
from hypothesis import strategies as st

from pipeline.exams.seasons import Season, season_of


@given(st.dates(dt.date(1950, 1, 2), dt.date(2199, 12, 31)), st.integers(1, 12))
def test_a_day_is_in_its_season_and_in_no_other(day: dt.date, first_month: int) -> None:
    season = season_of(day, first_month)
    assert season.first <= day < season.end
    assert (season.first.day, season.first.month) == (1, first_month)
    assert season_of(season.end, first_month) > season
    assert season_of(season.end - dt.timedelta(days=1), first_month) == season


def test_a_season_that_spans_two_years_has_the_names_of_both() -> None:
    assert season_of(dt.date(2026, 5, 14), 1).name == "2026"
    assert season_of(dt.date(2026, 5, 14), 7) == Season(dt.date(2025, 7, 1))
    assert season_of(dt.date(2026, 5, 14), 7).name == "2025-2026"
