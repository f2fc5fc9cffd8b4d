"""Average precision against curves worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from models.precision import Found, Wanted, average_precision

Rows = NDArray[np.float64]


def squares(*places: float, half: float = 10.0) -> Rows:
    """Circles on a line, whose boxes are squares."""
    return np.array([[place, 50.0, half, half, 0.0] for place in places]).reshape(-1, 5)


def wanted(rows: Rows, *ignored: int) -> Wanted:
    return Wanted(rows, np.isin(np.arange(len(rows)), ignored))


def found(rows: Rows, *scores: float) -> Found:
    return Found(rows, np.array(scores, dtype=np.float64))


def test_all_found_in_their_places_is_one() -> None:
    rows = squares(20, 60, 100)
    value = average_precision([wanted(rows), wanted(rows[:1])], [found(rows, 0.9, 0.4, 0.6), found(rows[:1], 0.1)])
    assert (value.at_half, value.mean) == pytest.approx((1.0, 1.0))


def test_precision_is_averaged_over_101_recalls() -> None:
    # Surest first: right, wrong, right. Recalls up to 0.5 (51 of 101) have precision 1, the others 2/3.
    value = average_precision([wanted(squares(20, 100))], [found(squares(20, 200, 100), 0.9, 0.8, 0.7)])
    assert value.at_half == pytest.approx((51 + 50 * 2 / 3) / 101)


def test_an_outline_a_little_beside_counts_at_low_overlaps_only() -> None:
    # Shifted by 4 of 20: intersection 16, union 24 and an overlap of 2/3, good at 0.50 to 0.65 of ten overlaps.
    value = average_precision([wanted(squares(20))], [found(squares(24), 0.9)])
    assert value.at_half == pytest.approx(1.0)
    assert value.mean == pytest.approx(0.4)


def test_what_is_ignored_counts_neither_way() -> None:
    rows = squares(20, 100)
    assert average_precision([wanted(rows, 1)], [found(rows[[1, 0]], 0.9, 0.8)]).at_half == pytest.approx(1.0)
    assert average_precision([wanted(rows[:1])], [found(rows[[1, 0]], 0.9, 0.8)]).at_half == pytest.approx(0.5)


def test_what_is_found_in_one_picture_is_no_answer_to_another() -> None:
    rows = squares(20)
    value = average_precision([wanted(rows), wanted(rows[:0])], [found(rows[:0]), found(rows, 0.9)])
    assert value.at_half == 0.0


def test_nothing_found_is_none_and_nothing_to_find_is_not_known() -> None:
    assert average_precision([wanted(squares(20))], [found(squares())]).mean == 0.0
    assert math.isnan(average_precision([wanted(squares(20), 0)], [found(squares(20), 0.9)]).at_half)
    assert math.isnan(average_precision([wanted(squares())], [found(squares())]).at_half)
