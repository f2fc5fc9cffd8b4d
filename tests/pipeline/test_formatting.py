"""Numbers and dates as text."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.formatting import date_text, format_signed, percent


def test_dates_do_not_depend_on_the_machine() -> None:
    assert date_text(dt.date(2026, 5, 4)) == "4 May 2026"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0 %"), (0.002, "under 1 %"), (0.82, "82 %"), (0.996, "over 99 %"), (1.0, "100 %")],
)
def test_percentages_never_claim_certainty(value: Any, text: str) -> None:
    assert percent(value) == text


def test_zero_has_no_sign() -> None:
    assert [format_signed(value, 1) for value in (-0.04, 0.06, -1.26)] == ["0.0", "+0.1", "\N{MINUS SIGN}1.3"]
