"""Passes merged with the turns that the pictures show, compared with merging from the tracks alone."""

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
# Five similar eggs at different places.
PLACES = [(100.0, 120.0), (480.0, 300.0), (250.0, 380.0), (420.0, 90.0), (180.0, 240.0)]
ONE_PLACE = [(300.0, 240.0)] * 5
ROW_FIELDS = ("frames", "ellipses", "depths_px", "stage_probabilities", "scores")


def clip_of_crossings(times: list[tuple[int, ...]], places: list[tuple[float, float]], frames: int) -> ClipTracks:
    """A clip with one track for each egg and time, 20 frames long around the time; numbered egg by egg."""
    tracks = []
    for (x, y), egg_times in zip(places, times, strict=True):
        tracks += [crossing(len(tracks) + n, time - 10, time + 10, x, y) for n, time in enumerate(egg_times, 1)]
    return clip(*tracks, frames=frames)


def visible_turn(outbound: NDArray[np.float64], returning: NDArray[np.float64], log_odds: float = 3.0) -> ProbeTurn:
    return ProbeTurn(float(outbound[-1]), outbound, returning, log_odds)


def test_a_visible_turn_distinguishes_similar_eggs_by_when_they_come_again() -> None:
    """Five eggs at one place of the picture: only the time distinguishes them, and the probe rests on the way back."""
    outbound = np.array([0.0, 100, 200, 300, 400, 500, 530])
    returning = np.array([1500.0, 1400, 1300, 1200, 600, 562, 530])
    tracks = []
    for time, (x, y) in zip((100, 200, 300, 400, 500), ONE_PLACE, strict=True):
        again = np.interp([time + 10, time - 10], outbound, returning).astype(int).tolist()
        for begins, ends in ((time - 10, time + 10), again):
            tracks.append(crossing(len(tracks) + 1, begins, ends, x, y))
    without_turn = clip(*tracks, frames=1500)
    grouping = merge_tracks([replace(without_turn, turns=(visible_turn(outbound, returning),))], None, SETTINGS)
    pairs = [[("left-1.mp4", 2 * n + 1), ("left-1.mp4", 2 * n + 2)] for n in range(5)]
    assert groups(grouping) == pairs
    assert len(grouping.passes) == 2
    # Without the visible turn constant paces are tried, and these times fit none.
    assert groups(merge_tracks([without_turn], None, SETTINGS)) != pairs


def test_of_a_crossing_cut_off_by_the_end_of_the_clip_the_beginning_counts() -> None:
    """Similar eggs at one place; of the first one, which is crossed slowly, the return shows only the near edge."""
    x, y = ONE_PLACE[0]
    first, again = crossing(1, 20, 120, x, y), crossing(4, 480, 580, x, y)
    cut = replace(again, **{name: getattr(again, name)[:30] for name in ROW_FIELDS})
    returned = clip(first, crossing(2, 190, 210, x, y), crossing(3, 390, 410, x, y), cut, frames=510)
    even = np.array([0.0, 300]), np.array([600.0, 300])
    grouping = merge_tracks([replace(returned, turns=(visible_turn(*even),))], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", 1), ("left-1.mp4", 4)], [("left-1.mp4", 2), ("left-1.mp4", 3)]]


def test_where_the_pictures_show_no_turn_nothing_is_seen_again() -> None:
    """Eggs at places and times as if the probe had come back at an even pace."""
    tracks = clip_of_crossings([(40, 560), (80, 520), (120, 480), (160, 440), (200, 400)], PLACES, 600)
    assert len(merge_tracks([tracks], None, SETTINGS).eggs) == 5
    one_pass = merge_tracks([replace(tracks, turns=())], None, SETTINGS)
    assert (len(one_pass.eggs), len(one_pass.passes)) == (10, 1)


def test_eggs_that_are_not_seen_again_are_evidence_against_an_unlikely_turn() -> None:
    even = np.array([0.0, 300]), np.array([600.0, 300])
    unlikely = visible_turn(*even, log_odds=-1.0)
    other_eggs = clip_of_crossings([(40,), (80,), (120,), (440,), (500,)], PLACES, 600)
    assert len(merge_tracks([replace(other_eggs, turns=(unlikely,))], None, SETTINGS).passes) == 1
    same_eggs = clip_of_crossings([(40, 560), (80, 520), (120, 480), (160, 440), (200, 400)], PLACES, 600)
    assert len(merge_tracks([replace(same_eggs, turns=(unlikely,))], None, SETTINGS).passes) == 2


def test_three_passes_are_merged() -> None:
    """Out, back, and out again, each pass at another pace."""
    times = [(30, 270, 360), (60, 240, 420), (90, 210, 480), (120, 180, 540), (135, 165, 570)]
    first = visible_turn(np.array([0.0, 150]), np.array([300.0, 150]))
    second = visible_turn(np.array([150.0, 300]), np.array([600.0, 300]))
    tracks = clip_of_crossings(times, PLACES, 600)
    grouping = merge_tracks([replace(tracks, turns=(first, second))], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", 3 * n + k) for k in (1, 2, 3)] for n in range(5)]
    assert len(grouping.passes) == 3
