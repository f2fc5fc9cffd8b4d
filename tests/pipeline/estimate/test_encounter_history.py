"""A sweep there and back of 600 frames that turns at frame 300: which of its two passes found which egg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration_tables import DetectionRate
from pipeline.estimate.encounter_history import EncounterHistory, detection_log_odds, encounter_history
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.settings import load_settings
from pipeline.track.merging.merge import Egg, EggTrack
from pipeline.track.merging.observed_object import largest_section
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.same_egg_likelihood import visibility_probability
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.merging.test_merge import clip, crossing
from tests.pipeline.track.simulated_motion import course_along, path

SETTINGS = load_settings()
CROSSED_AGAIN = SETTINGS.estimate.same_window_crossed_share
RATES = DetectionRate(
    intercept=1.5, size_slope=2.0, depth_slope=-3.0, reference_log_size=-2.3, reference_depth=0.5, exam_sd=0.8
)
# The way back ends where the way out was at frame 100.
COURSE = course_along(path((0, 0), (300, 24), (600, 8)))
OUT, BACK = Pass("left-1.mp4", 0, 300, 0, 24), Pass("left-1.mp4", 300, 600, 8, 24)


def only_pass(file: str) -> Pass:
    return Pass(file, 0, 600, 0, 24)


def crossed_at(*times: int) -> ClipTracks:
    tracks = (crossing(n, time - 10, time + 10, 300.0, 200.0) for n, time in enumerate(times, 1))
    return clip(*tracks, frames=600, courses=(COURSE,))


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
        ((100,), [True, False], [1, 0]),  # only by half
        ((295,), [True, True], [1, 1]),  # in view while the probe turned
        ((291,), [True, False], [1, CROSSED_AGAIN]),  # two sightings after the turn do not count
    ],
)
def test_each_pass_counts_where_it_went(times, found, crossed) -> None:
    history = encounter_history(
        [egg(*range(1, len(times) + 1))], [OUT, BACK], [crossed_at(*times)], None, RATES, SETTINGS
    )
    assert history.detected.tolist() == [found]
    assert history.crossing_probability.tolist() == [crossed]


@pytest.mark.parametrize(("share", "crossed"), [(0.72, CROSSED_AGAIN), (0.68, 0.0)])
def test_a_way_back_crosses_an_egg_only_if_it_passes_most_of_it(share, crossed) -> None:
    low, high = COURSE.position(np.array([100, 120]))
    back = replace(BACK, low=high - share * (high - low))
    history = encounter_history([egg(1)], [OUT, back], [crossed_at(110)], None, RATES, SETTINGS)
    assert history.crossing_probability.tolist() == [[1, crossed]]


def test_an_egg_that_no_pass_shows_three_times_counts_where_it_is_seen_most() -> None:
    seen_twice = clip(crossing(1, 200, 201, 300.0, 200.0), frames=600, courses=(COURSE,))
    history = encounter_history([egg(1)], [OUT, BACK], [seen_twice], None, RATES, SETTINGS)
    assert history.detected.tolist() == [[True, False]]


def test_without_a_course_a_way_back_is_no_other_look() -> None:
    history = encounter_history([egg(1)], [OUT, BACK], [replace(crossed_at(200), courses=())], None, RATES, SETTINGS)
    assert history.crossing_probability.tolist() == [[1, 0]]


def test_a_way_back_that_finds_every_egg_again_leaves_fewer_missed_than_one_that_finds_none() -> None:
    times = [(150, 525), (180, 480), (210, 435), (240, 390)]
    tracks = crossed_at(*(time for pair in times for time in pair))
    twice = [egg(2 * n + 1, 2 * n + 2) for n in range(4)]
    once = [egg(2 * n + 1) for n in range(4)]
    agreeing, disagreeing, single = (
        estimate_missed(encounter_history(eggs, passes, [tracks], None, RATES, SETTINGS), RATES)
        for eggs, passes in ((twice, [OUT, BACK]), (once, [OUT, BACK]), (once, [only_pass("left-1.mp4")]))
    )
    assert agreeing.weights @ agreeing.means < 0.5 * (disagreeing.weights @ disagreeing.means)
    assert agreeing.has_repeat_passes
    assert disagreeing.has_repeat_passes
    assert not single.has_repeat_passes


def test_a_sweep_there_and_back_that_missed_an_egg_of_another_clip_counts_once() -> None:
    """Both passes may have missed it for the same reason: the probe never went there."""
    other = replace(crossed_at(200), file="left-2.mp4")
    passes = [only_pass("left-2.mp4"), OUT, BACK]
    history = encounter_history([egg(1, file="left-2.mp4")], passes, [crossed_at(50), other], None, RATES, SETTINGS)
    assert history.detected.tolist() == [[True, False, False]]
    assert history.crossing_probability.tolist() == [[1, CROSSED_AGAIN, 0]]


def of_other_clip(other: ClipTracks, *, carapace_width_mm: float | None = None) -> EncounterHistory:
    """An egg found at a depth of 200 px in a clip of the left window at 0.2 mm per px, and in no pass of the other."""
    first = replace(clip(crossing(1, 190, 210, 300.0, 200.0), mm_per_px=0.2), imaging_depth_px=400.0)
    passes = [only_pass(first.file), only_pass(other.file)]
    return encounter_history([egg(1)], passes, [first, other], carapace_width_mm, RATES, SETTINGS)


SIZE_PX = largest_section(crossing(1, 190, 210, 300.0, 200.0))
SECOND = replace(clip(file="left-2.mp4", mm_per_px=0.1), imaging_depth_px=800.0)


def test_another_clip_of_the_same_window_shows_the_egg_at_its_own_scale() -> None:
    history = of_other_clip(SECOND)
    assert history.crossing_probability.tolist() == [[1, CROSSED_AGAIN]]
    # Twice as many px over twice the imaging depth.
    expected = detection_log_odds([SIZE_PX / 400], [0.5], RATES)[0]
    np.testing.assert_allclose(history.log_odds, [[expected, expected]])
    zoomed_in = of_other_clip(replace(SECOND, imaging_depth_px=500.0))
    assert zoomed_in.log_odds[0, 1] == pytest.approx(detection_log_odds([2 * SIZE_PX / 500], [0.8], RATES)[0])
    # A picture that ends above the egg would show it at its lower end at most.
    shallow = of_other_clip(replace(SECOND, imaging_depth_px=300.0))
    assert shallow.log_odds[0, 1] == pytest.approx(detection_log_odds([2 * SIZE_PX / 300], [1.0], RATES)[0])


def test_a_clip_without_a_scale_shows_its_own_eggs_all_the_same() -> None:
    """Relative to its imaging depth; a third clip expects the egg where the clip with a scale shows it."""
    track = crossing(1, 190, 210, 300.0, 200.0)
    plain = replace(clip(track, file="left-3.mp4", mm_per_px=None), imaging_depth_px=500.0)
    scaled = replace(clip(track, mm_per_px=0.2), imaging_depth_px=400.0)
    one_egg = Egg(1, (EggTrack(plain.file, 1), EggTrack(scaled.file, 1)), 0.9, np.array([0.0, 0.1, 0.9]), 0.9)
    clips = [plain, scaled, SECOND]
    passes = [only_pass(each.file) for each in clips]
    history = encounter_history([one_egg], passes, clips, None, RATES, SETTINGS)
    expected = detection_log_odds([SIZE_PX / 500, SIZE_PX / 400, 2 * SIZE_PX / 800], [0.4, 0.5, 0.5], RATES)
    np.testing.assert_allclose(history.log_odds, [expected])
    assert history.detected.tolist() == [[True, True, False]]


def test_no_egg_is_so_easy_or_so_hard_to_find_that_its_evidence_is_infinite() -> None:
    """Log-odds are bounded at 30: one pass found an egg at odds of e^-30 and the other missed it at odds of e^30."""
    extreme = EncounterHistory(np.array([[True, False]]), np.ones((1, 2)), np.array([[-1000.0, 1000.0]]))
    assert extreme.log_likelihood(0.0) == pytest.approx(-60.0, abs=0.1)


def test_the_other_window_shows_the_egg_from_the_far_side_of_the_body() -> None:
    right = replace(SECOND, file="right-1.mp4", window="right")
    history = of_other_clip(right, carapace_width_mm=100.0)
    depth = SETTINGS.track.body_width_share * 100.0 / 0.1 - 400.0
    assert history.log_odds[0, 1] == pytest.approx(detection_log_odds([2 * SIZE_PX / 800], [depth / 800], RATES)[0])
    probability = visibility_probability(np.array([depth]), np.array([2 * SIZE_PX]), 800.0)[0]
    assert history.crossing_probability.tolist() == [[1, pytest.approx(probability)]]


@pytest.mark.parametrize(
    ("other", "carapace_width_mm"),
    [
        (replace(SECOND, window="right"), None),
        (replace(SECOND, window="right", mm_per_px=None), 100.0),
        (replace(SECOND, window=None), 100.0),
        (replace(SECOND, window="right", imaging_depth_px=None), 100.0),
    ],
)
def test_where_the_position_cannot_be_predicted_the_egg_counts_as_average(
    other: ClipTracks, carapace_width_mm: float | None
) -> None:
    history = of_other_clip(other, carapace_width_mm=carapace_width_mm)
    assert history.crossing_probability.tolist() == [[1, SETTINGS.track.other_window_reseen_share]]
    assert history.log_odds[0, 1] == RATES.intercept


def test_passes_over_clips_that_are_not_used_are_ignored() -> None:
    passes = [OUT, only_pass("left-2.mp4")]
    history = encounter_history([egg(1)], passes, [crossed_at(200)], None, RATES, SETTINGS)
    assert history.detected.tolist() == [[True]]
