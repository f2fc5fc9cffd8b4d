"""Sentences on where the first method leads: clear, overlapping, level and behind."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bench.comparison.compare import ComparedEntry, Comparison
from pipeline.bench.comparison.lead import lead_sentences
from pipeline.bench.comparison.resampling import Estimate


def entry(name: str, *, ap: Estimate | None = None, error: Estimate | None = None) -> ComparedEntry:
    figures = {key: each for key, each in (("AP50", ap), ("count error", error)) if each is not None}
    return ComparedEntry(
        name=name,
        figures=figures,
        first_minus_this={},
        counted=0,
        counts_note="",
        settings={},
        strata=(),
        review=None,
        reliability=(),
        cost=None,
        learned_from="",
    )


def comparison(*entries: ComparedEntry) -> Comparison:
    return Comparison("set", 8, 100, 1000, 0, entries)


OURS = entry("ours", ap=Estimate(0.9, 0.85, 0.95), error=Estimate(1.0, 0.5, 1.5))


def test_intervals_that_do_not_overlap_are_clear() -> None:
    worse = entry("theirs", ap=Estimate(0.8, 0.7, 0.84), error=Estimate(2.0, 1.6, 2.5))
    assert lead_sentences(comparison(OURS, worse)) == [
        "ours leads, by intervals that do not overlap, all others: AP50, count error; nobody, with nothing to compare: "
        "AP50:95, HOTA.",
        "AP50: ours, 0.900 [0.850, 0.950], leads 1 of 1 other.",
        "count error: ours, 1.00 [0.50, 1.50], leads 1 of 1 other.",
    ]


@pytest.mark.parametrize(
    ("theirs", "difference", "reason"),
    [
        (Estimate(0.88, 0.8, 0.93), Estimate(0.02, -0.01, 0.04), "ahead of it, but .* holds zero: 8 animals cannot"),
        (Estimate(0.88, 0.8, 0.93), Estimate(0.02, 0.01, 0.04), "ahead of it: .* clear of zero, though"),
        (Estimate(0.9, 0.8, 0.93), Estimate(0.0, 0.0, 0.0), "level with it, but .* holds zero"),
        (Estimate(0.97, 0.96, 0.98), Estimate(-0.07, -0.1, -0.02), "behind it, and .* is clear of zero"),
        (Estimate(0.88, 0.8, 0.93), None, "ahead of it, and the intervals overlap"),
    ],
)
def test_what_is_not_clear_is_explained(theirs: Estimate, difference: Estimate | None, reason: str) -> None:
    other = entry("theirs", ap=theirs)
    if difference is not None:
        other = replace(other, first_minus_this={"AP50": difference})
    reach, share, second = lead_sentences(comparison(OURS, other))
    assert "not all others: AP50;" in reach
    assert "leads 0 of 1 other" in share
    assert re.search(f"theirs has .*; ours is {reason}", second)


@given(st.lists(st.floats(0, 1), min_size=3, max_size=3).map(sorted), st.booleans())
def test_a_method_is_never_clear_of_its_equal(values: list[float], is_error: bool) -> None:
    same = Estimate(values[1], values[0], values[2])
    one = entry("ours", error=same) if is_error else entry("ours", ap=same)
    sentences = lead_sentences(comparison(one, replace(one, name="theirs")))
    assert any("leads 0 of 1 other" in each for each in sentences)
