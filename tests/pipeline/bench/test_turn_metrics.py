from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from pipeline.bench.turn_metrics import (
    MAXIMUM_DISTANCE_FRAMES,
    ClipTurns,
    reported_turns,
    turn_metrics,
    turn_table,
)
from pipeline.track.probe_course import ProbeCourse, ProbeTurn
from pipeline.track.tracks import ClipTracks


def test_turns_are_matched_within_five_frames_and_once() -> None:
    metrics = turn_metrics(
        [
            ClipTurns((50.0, 100.0), (45.0, 47.0, 106.0)),  # one found, twice reported; one six frames off
            ClipTurns((), (30.0, 60.0)),
            ClipTurns((), ()),
            ClipTurns((), (10.0,)),
            ClipTurns((), ()),
        ]
    )
    assert (metrics.clips, metrics.true, metrics.reported, metrics.clips_without) == (5, 2, 6, 4)
    assert (metrics.recall, metrics.precision) == (pytest.approx(1 / 2), pytest.approx(1 / 6))
    assert (metrics.false_per_clip_without, metrics.given_one) == (pytest.approx(3 / 4), pytest.approx(1 / 2))


def test_without_turns_or_clips_shares_are_unknown() -> None:
    empty = turn_metrics([])
    assert (empty.recall, empty.precision, empty.false_per_clip_without, empty.given_one) == (None,) * 4
    assert "found within 5 frames: -" in turn_table("set", empty)


frames = st.lists(st.integers(0, 60).map(float), max_size=6).map(lambda each: tuple(sorted(each)))


@given(true=frames, reported=frames)
def test_the_number_of_matches_is_the_largest_possible(true: tuple[float, ...], reported: tuple[float, ...]) -> None:
    close = np.abs(np.subtract.outer(np.array(true), np.array(reported))) <= MAXIMUM_DISTANCE_FRAMES
    largest = close[linear_sum_assignment(-close.astype(float))].sum() if close.size else 0
    metrics = turn_metrics([ClipTurns(true, reported)])
    assert (metrics.recall or 0.0) * len(true) == pytest.approx(largest)
    assert (metrics.precision or 0.0) * len(reported) == pytest.approx(largest)


def test_only_likely_turns_are_reported() -> None:
    turns = ProbeTurn(20.0, 0.9), ProbeTurn(60.0, 0.4)
    likely, other = (
        ProbeCourse(np.arange(2), np.arange(2.0), np.zeros(2), each, probability, (0.0, 0.0))
        for each, probability in ((turns, 0.7), ((ProbeTurn(80.0, 0.9),), 0.3))
    )
    clip = ClipTracks("left-1.mp4", "left", None, 100, (), courses=(likely, other))
    assert reported_turns(clip) == [20.0]
    assert reported_turns(ClipTracks("left-1.mp4", "left", None, 100, ())) == []
