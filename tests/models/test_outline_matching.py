"""Pairs of found and true outlines, against every possible pairing."""

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
    """(number, 5) ellipses, crowded enough that many overlap."""
    rng = np.random.default_rng(seed)
    minor = rng.uniform(6, 12, number)
    return np.column_stack(
        [rng.uniform(0, 30, (number, 2)), minor * rng.uniform(1, 2, number), minor, rng.uniform(-90, 90, number)]
    )


@repeatably
@given(st.integers(0, 2**32 - 1), st.integers(0, 4), st.integers(0, 4))
def test_pairs_have_the_greatest_sum_of_overlaps(seed: int, found_number: int, true_number: int) -> None:
    found, true = scattered(seed, found_number), scattered(seed + 1, true_number)
    shared = overlap(found, true)
    rows, columns, overlaps = match(found, true, minimum_overlap=0.0)
    np.testing.assert_array_equal(overlaps, shared[rows, columns])
    assert len(set(rows.tolist())) == len(set(columns.tolist())) == len(rows) == min(found_number, true_number)
    wide = shared if found_number <= true_number else shared.T
    best = max(sum(wide[i, j] for i, j in enumerate(order)) for order in permutations(range(wide.shape[1]), len(wide)))
    assert overlaps.sum() == pytest.approx(best)


def test_pairs_that_share_too_little_are_none() -> None:
    true = [[0.0, 0.0, 10.0, 8.0, 0.0], [50.0, 0.0, 10.0, 8.0, 0.0]]
    found = [[51.0, 0.0, 10.0, 8.0, 0.0], [9.0, 0.0, 10.0, 8.0, 0.0]]
    rows, columns, overlaps = match(found, true, minimum_overlap=0.5)
    assert (rows.tolist(), columns.tolist()) == ([0], [1])
    assert overlaps[0] > 0.8
    at_least = float(overlap(found[1], true[0])[0, 0])
    assert len(match(found, true, minimum_overlap=at_least)[0]) == 2  # the bound itself is enough


def test_what_lies_on_ignored_objects_is_told() -> None:
    ignored = [[0.0, 0.0, 10.0, 10.0, 0.0]]
    # Two circles of radius 10 share 0.31 of their joint area at a distance of 8.5, and 0.29 at 9 (plane geometry).
    found = [[apart, 0.0, 10.0, 10.0, 0.0] for apart in (1.0, 8.5, 9.0, 60.0)]
    assert overlaps_ignored(found, ignored).tolist() == [True, True, False, False]
    assert overlaps_ignored(found, np.zeros((0, 5))).tolist() == [False] * 4
    assert overlaps_ignored(np.zeros((0, 5)), ignored).tolist() == []
