"""Pairs of detected and true outlines, against all possible pairings."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.ellipse import overlap
from models.outline_matching import match, overlaps_ignored
from tests.models.ellipse_strategies import Rows, repeatably


def scattered(seed: int, number: int) -> Rows:
    """(number, 5) ellipses, so close to each other that many overlap."""
    rng = np.random.default_rng(seed)
    minor = rng.uniform(6, 12, number)
    return np.column_stack(
        [rng.uniform(0, 30, (number, 2)), minor * rng.uniform(1, 2, number), minor, rng.uniform(-90, 90, number)]
    )


@repeatably
@given(st.integers(0, 2**32 - 1), st.integers(0, 4), st.integers(0, 4))
def test_pairs_have_the_largest_sum_of_overlaps(seed: int, found_number: int, true_number: int) -> None:
    found, true = scattered(seed, found_number), scattered(seed + 1, true_number)
    all_overlaps = overlap(found, true)
    rows, columns, overlaps = match(found, true, minimum_overlap=0.0)
    np.testing.assert_array_equal(overlaps, all_overlaps[rows, columns])
    assert len(set(rows.tolist())) == len(set(columns.tolist())) == len(rows) == min(found_number, true_number)
    wide = all_overlaps if found_number <= true_number else all_overlaps.T
    best = max(sum(wide[i, j] for i, j in enumerate(order)) for order in permutations(range(wide.shape[1]), len(wide)))
    assert overlaps.sum() == pytest.approx(best)


def test_pairs_below_the_minimum_overlap_are_left_out() -> None:
    true = [[0.0, 0.0, 10.0, 8.0, 0.0], [50.0, 0.0, 10.0, 8.0, 0.0]]
    found = [[51.0, 0.0, 10.0, 8.0, 0.0], [9.0, 0.0, 10.0, 8.0, 0.0]]
    rows, columns, overlaps = match(found, true, minimum_overlap=0.5)
    assert (rows.tolist(), columns.tolist()) == ([0], [1])
    assert overlaps[0] > 0.8
    at_least = float(overlap(found[1], true[0])[0, 0])
    assert len(match(found, true, minimum_overlap=at_least)[0]) == 2  # an overlap equal to the minimum is enough


def test_detections_on_ignored_objects_are_marked() -> None:
    ignored = [[0.0, 0.0, 10.0, 10.0, 0.0]]
    # Two circles of radius 10 overlap by 0.31 at a distance of 8.5, and by 0.29 at 9 (plane geometry).
    found = [[distance, 0.0, 10.0, 10.0, 0.0] for distance in (1.0, 8.5, 9.0, 60.0)]
    assert overlaps_ignored(found, ignored).tolist() == [True, True, False, False]
    assert overlaps_ignored(found, np.zeros((0, 5))).tolist() == [False] * 4
    assert overlaps_ignored(np.zeros((0, 5)), ignored).tolist() == []
