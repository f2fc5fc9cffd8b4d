"""A sweep there and back of 600 frames that turns at frame 300: which of its two passes found which egg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.encounter_history import encounter_history
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.settings import DetectionRate, load_settings
from pipeline.track.merging.merge import Egg, EggTrack
from pipeline.track.merging.passes import Pass
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.merging.test_merge import clip, crossing

SETTINGS = load_settings()
CROSSED_AGAIN = SETTINGS.estimate.same_window_crossed_share
RATES = DetectionRate(
    intercept=1.5, size_slope=2.0, depth_slope=-3.0, reference_log_size=-2.3, reference_depth=0.5, exam_sd=0.8
)
# The way back ends where the way out was at frame 100.
OUT, BACK = Pass.first("left-1.mp4", 0, 300), Pass("left-1.mp4", 300, 600, start_position=300, end_position=100)


def crossed_at(*times: int) -> ClipTracks:
    return clip(*(crossing(n, time - 10, time + 10, 300.0, 200.0) for n, time in enumerate(times, 1)), frames=600)


def egg(*tracks: int, file: str = "left-1.mp4") -> Egg:
    members = tuple(EggTrack(file, track) for track in tracks)
    return Egg(tracks[0], members, 0.9, np.array([0.0, 0.1, 0.9]), 0.9)


@pytest.mark.parametrize(
    ("times", "found", "crossed"),
    [
        ((200, 450), [True, True], [1, 1]),
        ((200,), [True, False], [1, CROSSED_AGAIN]),
        ((450,), [False, True], [CROSSED_AGAIN, 1]),
        ((50,), [True, False], [1, 0]),  # the probe did not come back that far
        ((105,), [True, False], [1, 0]),  # only in part
        ((295,), [True, False], [1, 0]),  # in view while the probe turned
        ((305,), [False, True], [0, 1]),
    ],
)
def test_each_pass_counts_where_it_went(times, found, crossed) -> None:
    history = encounter_history(
        [egg(*range(1, len(times) + 1))], [OUT, BACK], [crossed_at(*times)], None, RATES, SETTINGS
    )
    assert history.detected.tolist() == [found]
    assert history.crossing_probability.tolist() == [crossed]


def test_a_way_back_that_finds_every_egg_again_leaves_fewer_missed_than_one_that_finds_none() -> None:
    times = [(150, 525), (180, 480), (210, 435), (240, 390)]
    tracks = crossed_at(*(time for pair in times for time in pair))
    twice = [egg(2 * n + 1, 2 * n + 2) for n in range(4)]
    once = [egg(2 * n + 1) for n in range(4)]
    agreeing, disagreeing, single = (
        estimate_missed(encounter_history(eggs, passes, [tracks], None, RATES, SETTINGS), RATES)
        for eggs, passes in ((twice, [OUT, BACK]), (once, [OUT, BACK]), (once, [Pass.first("left-1.mp4", 0, 600)]))
    )
    assert agreeing.weights @ agreeing.means < 0.5 * (disagreeing.weights @ disagreeing.means)
    assert agreeing.has_repeat_passes
    assert disagreeing.has_repeat_passes
    assert not single.has_repeat_passes


def test_a_sweep_there_and_back_that_missed_an_egg_of_another_clip_counts_once() -> None:
    """Both passes may have missed it for the same reason: the probe never went there."""
    other = replace(crossed_at(200), file="left-2.mp4")
    passes = [Pass.first("left-2.mp4", 0, 600), OUT, BACK]
    history = encounter_history([egg(1, file="left-2.mp4")], passes, [crossed_at(50), other], None, RATES, SETTINGS)
    assert history.detected.tolist() == [[True, False, False]]
    assert history.crossing_probability.tolist() == [[1, CROSSED_AGAIN, 0]]
