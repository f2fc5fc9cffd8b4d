"""Sweeps unfolded by the turns that their pictures show, beside what the tracks alone would tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.merging.test_merge import clip, crossing, groups

SETTINGS = load_settings().track
# Five like eggs, each where none of the others lies.
PLACES = [(100.0, 120.0), (480.0, 300.0), (250.0, 380.0), (420.0, 90.0), (180.0, 240.0)]
ALIKE = [(300.0, 240.0)] * 5
WITH_FRAMES = ("frames", "ellipses", "depths_px", "stage_probabilities", "scores")


def swept(times: list[tuple[int, ...]], places: list[tuple[float, float]], frames: int) -> ClipTracks:
    """Each egg crossed in the 20 frames about each of its times, as tracks of its own; numbered egg by egg."""
    tracks = []
    for (x, y), own in zip(places, times, strict=True):
        tracks += [crossing(len(tracks) + n, time - 10, time + 10, x, y) for n, time in enumerate(own, 1)]
    return clip(*tracks, frames=frames)


def seen(there: NDArray[np.float64], back: NDArray[np.float64], log_odds: float = 3.0) -> ProbeTurn:
    return ProbeTurn(float(there[-1]), there, back, log_odds)


def test_a_turn_that_the_pictures_show_tells_like_eggs_apart_by_when_they_come_again() -> None:
    """Five eggs at one place of the picture: only the time tells which is which, and the hand rests on its way back."""
    there = np.array([0.0, 100, 200, 300, 400, 500, 530])
    back = np.array([1500.0, 1400, 1300, 1200, 600, 562, 530])
    tracks = []
    for time, (x, y) in zip((100, 200, 300, 400, 500), ALIKE, strict=True):
        again = np.interp([time + 10, time - 10], there, back).astype(int).tolist()
        for begins, ends in ((time - 10, time + 10), again):
            tracks.append(crossing(len(tracks) + 1, begins, ends, x, y))
    swept_once = clip(*tracks, frames=1500)
    grouping = merge_tracks([replace(swept_once, turns=(seen(there, back),))], None, SETTINGS)
    pairs = [[("left-1.mp4", 2 * n + 1), ("left-1.mp4", 2 * n + 2)] for n in range(5)]
    assert groups(grouping) == pairs
    assert len(grouping.passes) == 2
    # Without the pictures an even pace is tried, which no five of these times share.
    assert groups(merge_tracks([swept_once], None, SETTINGS)) != pairs


def test_a_crossing_that_the_clip_s_end_cuts_off_is_known_by_its_beginning() -> None:
    """Like eggs at one place; of the one met first, and for long, the hand comes back to the near edge alone."""
    x, y = ALIKE[0]
    first, again = crossing(1, 20, 120, x, y), crossing(4, 480, 580, x, y)
    cut = replace(again, **{name: getattr(again, name)[:30] for name in WITH_FRAMES})
    returned = clip(first, crossing(2, 190, 210, x, y), crossing(3, 390, 410, x, y), cut, frames=510)
    even = np.array([0.0, 300]), np.array([600.0, 300])
    grouping = merge_tracks([replace(returned, turns=(seen(*even),))], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", 1), ("left-1.mp4", 4)], [("left-1.mp4", 2), ("left-1.mp4", 3)]]


def test_where_the_pictures_show_that_the_hand_only_went_on_nothing_is_met_again() -> None:
    """Eggs at places and times as if the hand had come back evenly."""
    tracks = swept([(40, 560), (80, 520), (120, 480), (160, 440), (200, 400)], PLACES, 600)
    assert len(merge_tracks([tracks], None, SETTINGS).eggs) == 5
    onward = merge_tracks([replace(tracks, turns=())], None, SETTINGS)
    assert (len(onward.eggs), len(onward.passes)) == (10, 1)


def test_eggs_that_are_not_met_again_speak_against_a_faint_turn() -> None:
    even = np.array([0.0, 300]), np.array([600.0, 300])
    faint = seen(*even, log_odds=-1.0)
    others = swept([(40,), (80,), (120,), (440,), (500,)], PLACES, 600)
    assert len(merge_tracks([replace(others, turns=(faint,))], None, SETTINGS).passes) == 1
    again = swept([(40, 560), (80, 520), (120, 480), (160, 440), (200, 400)], PLACES, 600)
    assert len(merge_tracks([replace(again, turns=(faint,))], None, SETTINGS).passes) == 2


def test_three_passes_are_unfolded_one_into_the_other() -> None:
    """There, back, and there again, each pass at another pace."""
    times = [(30, 270, 360), (60, 240, 420), (90, 210, 480), (120, 180, 540), (135, 165, 570)]
    first = seen(np.array([0.0, 150]), np.array([300.0, 150]))
    second = seen(np.array([150.0, 300]), np.array([600.0, 300]))
    tracks = swept(times, PLACES, 600)
    grouping = merge_tracks([replace(tracks, turns=(first, second))], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", 3 * n + k) for k in (1, 2, 3)] for n in range(5)]
    assert len(grouping.passes) == 3
