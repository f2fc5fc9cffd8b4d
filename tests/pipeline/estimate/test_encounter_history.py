"""A sweep there and back, 600 frames, turned round at 300: which of its two passes met which egg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration_file import DetectionRate
from pipeline.estimate.encounter_history import encounter_history
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.settings import load_settings
from pipeline.track.merging.merge import Egg, EggTrack
from pipeline.track.merging.passes import Pass
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.merging.test_merge import clip, crossing

SETTINGS = load_settings()
AGAIN = SETTINGS.estimate.same_window_crossed_share
RATES = DetectionRate(
    intercept=1.5, size_slope=2.0, depth_slope=-3.0, reference_log_size=-2.3, reference_depth=0.5, exam_sd=0.8
)
# The way back ends where the way there was at frame 100.
THERE, BACK = Pass.first("left-1.mp4", 0, 300), Pass("left-1.mp4", 300, 600, start_position=300, end_position=100)


def crossed_at(*times: int) -> ClipTracks:
    return clip(*(crossing(n, time - 10, time + 10, 300.0, 200.0) for n, time in enumerate(times, 1)), frames=600)


def egg(*tracks: int, file: str = "left-1.mp4") -> Egg:
    members = tuple(EggTrack(file, track) for track in tracks)
    return Egg(tracks[0], members, 0.9, np.array([0.0, 0.1, 0.9]), 0.9)


@pytest.mark.parametrize(
    ("times", "found", "crossed"),
    [
        ((200, 450), [True, True], [1, 1]),
        ((200,), [True, False], [1, AGAIN]),
        ((450,), [False, True], [AGAIN, 1]),
        ((50,), [True, False], [1, 0]),  # the hand did not come back so far
        ((105,), [True, False], [1, 0]),  # in part only
        ((295,), [True, False], [1, 0]),  # in view while the hand turned
        ((305,), [False, True], [0, 1]),
    ],
)
def test_each_pass_is_a_witness_where_it_went(times, found, crossed) -> None:
    met = encounter_history(
        [egg(*range(1, len(times) + 1))], [THERE, BACK], [crossed_at(*times)], None, RATES, SETTINGS
    )
    assert met.detected.tolist() == [found]
    assert met.crossing_probability.tolist() == [crossed]


def test_a_way_back_that_met_every_egg_again_leaves_fewer_overlooked_than_one_that_met_none() -> None:
    times = [(150, 525), (180, 480), (210, 435), (240, 390)]
    again = crossed_at(*(time for pair in times for time in pair))
    twice = [egg(2 * n + 1, 2 * n + 2) for n in range(4)]
    once = [egg(2 * n + 1) for n in range(4)]
    sure, doubtful, single = (
        estimate_missed(encounter_history(eggs, passes, [again], None, RATES, SETTINGS), RATES)
        for eggs, passes in ((twice, [THERE, BACK]), (once, [THERE, BACK]), (once, [Pass.first("left-1.mp4", 0, 600)]))
    )
    assert sure.weights @ sure.means < 0.5 * (doubtful.weights @ doubtful.means)
    assert sure.has_repeat_passes
    assert doubtful.has_repeat_passes
    assert not single.has_repeat_passes


def test_a_sweep_there_and_back_that_missed_an_egg_of_another_clip_is_one_witness() -> None:
    """It may have missed it both times for one reason: it never went there."""
    other = replace(crossed_at(200), file="left-2.mp4")
    passes = [Pass.first("left-2.mp4", 0, 600), THERE, BACK]
    met = encounter_history([egg(1, file="left-2.mp4")], passes, [crossed_at(50), other], None, RATES, SETTINGS)
    assert met.detected.tolist() == [[True, False, False]]
    assert met.crossing_probability.tolist() == [[1, AGAIN, 0]]
