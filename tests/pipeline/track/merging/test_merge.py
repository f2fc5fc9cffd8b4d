from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.track.simulated_clips import (
    CALCIFIED,
    FOLLICLE,
    one_way_sweep,
    random_clutch,
    return_sweep,
    simulate_clip,
    track_clip,
)
from tests.pipeline.track.simulated_motion import course_along, path

SETTINGS = load_settings().track
SHELL = (0.05, 0.1, 0.85)
YOLK = (0.85, 0.1, 0.05)


def crossing(identity, first, last, x, y, *, size=60.0, stages=SHELL, part=(-0.9, 0.9)):
    """A track of one egg crossed from pole to pole, or from part[0] to part[1] of its half-length."""
    frames = np.arange(first, last + 1)
    share = np.sqrt(1 - np.linspace(*part, len(frames)) ** 2)
    count = len(frames)
    ellipses = np.column_stack(
        [np.full(count, x), np.full(count, y), size * share, 0.7 * size * share, np.zeros(count)]
    ).astype(float)
    return Track(identity, frames, ellipses, ellipses[:, 1].copy(), np.tile(stages, (count, 1)), np.full(count, 0.8))


def clip(*tracks, file="left-1.mp4", window="left", mm_per_px=0.22, frames=600, courses=()):
    return ClipTracks(file, window, mm_per_px, frames, tracks, courses=courses)


def groups(grouping):
    return sorted(sorted((member.file, member.track) for member in egg.members) for egg in grouping.eggs)


def assert_one_egg_per_track_and_frame(grouping, clips):
    tracks = {(one.file, track.identity): track for one in clips for track in one.tracks}
    members = [(m.file, m.track) for egg in grouping.eggs for m in egg.members]
    assert sorted(members) == sorted(tracks), "every track belongs to exactly one egg"
    for egg in grouping.eggs:
        seen = [(m.file, f) for m in egg.members for f in tracks[m.file, m.track].frames.tolist()]
        assert len(seen) == len(set(seen)), f"egg {egg.identity} is seen twice in one frame"


def test_without_clips_or_tracks_there_is_no_egg():
    assert merge_tracks([], None, SETTINGS).eggs == ()
    assert merge_tracks([clip()], 118.0, SETTINGS).eggs == ()


def test_a_track_broken_near_its_middle_is_one_egg():
    whole = crossing(1, 100, 160, 300, 200)
    broken = [
        replace(
            whole,
            identity=identity,
            **{
                name: getattr(whole, name)[rows]
                for name in ("frames", "ellipses", "depths_px", "stage_probabilities", "scores")
            },
        )
        for identity, rows in ((1, slice(0, 25)), (2, slice(37, 61)))
    ]
    others = [crossing(3 + k, 50 + 70 * k, 90 + 70 * k, 150 + 90 * k, 350) for k in range(4)]
    grouping = merge_tracks([clip(*broken, *others)], None, SETTINGS)
    assert [("left-1.mp4", 1), ("left-1.mp4", 2)] in groups(grouping)
    assert len(grouping.eggs) == 5


def test_two_eggs_one_after_the_other_remain_two():
    tracks = [crossing(1, 100, 140, 300, 200), crossing(2, 150, 190, 310, 205), crossing(3, 20, 60, 180, 320)]
    assert len(merge_tracks([clip(*tracks)], None, SETTINGS).eggs) == 3


def test_an_egg_lost_near_its_middle_is_not_the_one_that_appears_next_to_it():
    lost = crossing(1, 100, 125, 300, 200, part=(-0.9, 0.3))
    neighbour = crossing(2, 128, 154, 345, 212, part=(-0.5, 0.9))
    others = [crossing(3 + k, 50 + 70 * k, 90 + 70 * k, 150 + 90 * k, 350) for k in range(4)]
    assert len(merge_tracks([clip(lost, neighbour, *others)], None, SETTINGS).eggs) == 6


def test_tracks_in_the_same_frames_are_never_one_egg():
    same_place = [crossing(k + 1, 100, 140, 300, 200) for k in range(3)]
    assert len(merge_tracks([clip(*same_place)], None, SETTINGS).eggs) == 3


def test_after_a_turn_the_same_eggs_are_seen_in_reverse_order():
    places = [(150, 120), (420, 200), (300, 330), (200, 240), (480, 350)]
    outbound = [crossing(k + 1, 20 + 50 * k, 60 + 50 * k, *place) for k, place in enumerate(places)]
    returning = [crossing(10 - k, 540 - 50 * k, 580 - 50 * k, *place) for k, place in enumerate(places)]
    course = course_along(path((0, 0), (300, 24), (599, 0)))
    grouping = merge_tracks([clip(*outbound, *returning, courses=(course,))], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", k + 1), ("left-1.mp4", 10 - k)] for k in range(5)]
    assert len(grouping.passes) == 2
    assert grouping.count_corrections.shelled.probability_within(-1, 1) > 0.95


def test_four_passes_are_merged():
    places = [(150, 120), (420, 200), (300, 330), (200, 240), (480, 350)]
    passes, tracks = 4, []
    for number in range(passes):
        order = range(5) if number % 2 == 0 else range(4, -1, -1)
        for step, k in enumerate(order):
            first = 260 * number + 10 + 50 * step
            tracks.append(crossing(len(tracks) + 1, first, first + 40, *places[k]))
    course = course_along(path((0, 0), (260, 20), (520, 0), (780, 20), (1039, 0)))
    grouping = merge_tracks([clip(*tracks, frames=1040, courses=(course,))], None, SETTINGS)
    assert len(grouping.passes) == passes
    assert [len(egg.members) for egg in grouping.eggs] == [passes] * 5


def test_a_follicle_and_a_shelled_egg_of_two_passes_are_different():
    left, right = (
        clip(crossing(1, 100, 140, 300, 200, stages=stages), file=f"left-{k}.mp4")
        for k, stages in enumerate((SHELL, YOLK))
    )
    assert len(merge_tracks([left, right], None, SETTINGS).eggs) == 2


def test_a_repeated_clip_of_one_window_adds_no_eggs():
    places = [(150, 120), (420, 200), (300, 330), (200, 240)]
    first, again = (
        clip(
            *(crossing(k + 1, 20 + 70 * k, 60 + 70 * k, x + 8, y - 5) for k, (x, y) in enumerate(places)),
            file=f"left-{number}.mp4",
            frames=300,
        )
        for number in (1, 2)
    )
    grouping = merge_tracks([first, again], None, SETTINGS)
    assert groups(grouping) == [[("left-1.mp4", k), ("left-2.mp4", k)] for k in range(1, 5)]


def test_with_little_evidence_the_prior_share_decides_and_the_count_is_uncertain():
    sides = [
        clip(
            *(crossing(k + 1, 20 + 60 * k, 60 + 60 * k, 100 + 130 * k, 150 + 60 * k) for k in range(4)),
            file=f"{window}-1.mp4",
            window=window,
            mm_per_px=None,
            frames=300,
        )
        for window in ("left", "right")
    ]
    never = merge_tracks(sides, None, SETTINGS.model_copy(update={"other_window_reseen_share": 0.001}))
    often = merge_tracks(sides, None, SETTINGS.model_copy(update={"other_window_reseen_share": 0.999}))
    default = merge_tracks(sides, None, SETTINGS)
    assert (len(never.eggs), len(often.eggs)) == (8, 4)
    assert 4 < len(default.eggs) < 8
    # Without a scale only the common order along the sweeps is evidence, and weak evidence, for the same eggs.
    expected = 8 - 4 * SETTINGS.other_window_reseen_share
    assert expected - 0.8 < len(default.eggs) + default.count_corrections.shelled.mean < expected
    assert default.count_corrections.shelled.variance > 0.5


def test_a_common_order_along_the_sweeps_is_evidence_for_the_same_eggs():
    def number(starts):
        left, right = (
            clip(
                *(crossing(k + 1, s, s + 30, 100 + 130 * k, 150) for k, s in enumerate(side)),
                file=f"{window}-1.mp4",
                window=window,
                mm_per_px=None,
                frames=300,
            )
            for window, side in zip(("left", "right"), starts, strict=True)
        )
        grouping = merge_tracks([left, right], None, SETTINGS)
        return len(grouping.eggs) + grouping.count_corrections.shelled.mean

    forwards, backwards, unrelated = (10, 40, 80, 200), (60, 180, 220, 250), (120, 125, 130, 135)
    assert number((forwards, forwards)) < number((forwards, unrelated)) - 0.2
    assert number((forwards, backwards)) == pytest.approx(number((forwards, forwards)), abs=0.5)


@pytest.mark.parametrize("orientation", [1, -1], ids=["alike", "turned by 180 degrees"])
def test_the_same_distance_from_the_centre_is_evidence_for_the_same_eggs(orientation):
    def number(laterals):
        left, right = (
            replace(
                clip(
                    *(crossing(k + 1, 20, 60, 300 + lateral, 150) for k, lateral in enumerate(side)),
                    file=f"{window}-1.mp4",
                    window=window,
                    frames=90,
                ),
                sector_centre_x_px=300.0,
            )
            for window, side in zip(("left", "right"), laterals, strict=True)
        )
        grouping = merge_tracks([left, right], None, SETTINGS)
        return len(grouping.eggs) + grouping.count_corrections.shelled.mean

    left = (-180, -60, 20, 190)
    assert number((left, [orientation * x for x in left])) < number((left, (-120, -100, 90, 110))) - 0.3


def test_depths_that_add_up_to_the_body_width_are_evidence_for_one_egg():
    def number(right_depth_px):
        left = clip(*(crossing(k + 1, 20 + 60 * k, 60 + 60 * k, 200, 200) for k in range(3)), frames=300)
        right = clip(
            *(crossing(k + 1, 20 + 60 * k, 60 + 60 * k, 200, right_depth_px) for k in range(3)),
            file="right-1.mp4",
            window="right",
            frames=300,
        )
        grouping = merge_tracks([left, right], 118.0, SETTINGS)
        return len(grouping.eggs) + grouping.count_corrections.shelled.mean

    # 44 mm from the left window; the windows are about 100 mm apart, so the same egg lies 56 mm from the right one.
    assert number(56 / 0.22) < number(20 / 0.22)


@pytest.mark.parametrize("seed", range(4))
def test_a_return_sweep_adds_no_eggs_to_a_simulated_clutch(seed):
    rng = np.random.default_rng(100 + seed)
    body = random_clutch(rng, [CALCIFIED] * 7)
    simulated = simulate_clip(rng, body, return_sweep(600), 600)
    clips = [track_clip(simulated, SETTINGS, "left-1.mp4")]
    grouping = merge_tracks(clips, None, SETTINGS)
    assert_one_egg_per_track_and_frame(grouping, clips)
    assert abs(len(grouping.eggs) - len(simulated.crossed)) <= 1


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 1000), st.permutations(range(4)))
def test_the_order_of_clips_does_not_matter(seed, order):
    rng = np.random.default_rng(seed)
    body = random_clutch(rng, [CALCIFIED] * 3 + [FOLLICLE] * 2)
    clips = [
        track_clip(
            simulate_clip(rng, body, one_way_sweep(150), 150, window=window), SETTINGS, f"{window}-{k}.mp4", window
        )
        for window in ("left", "right")
        for k in range(2)
    ]
    first, second = (
        merge_tracks(clips, 118.0, SETTINGS),
        merge_tracks([clips[k] for k in order], 118.0, SETTINGS),
    )
    assert_one_egg_per_track_and_frame(first, clips)
    assert groups(first) == groups(second)
    for a, b in zip(first.count_corrections, second.count_corrections, strict=True):
        assert a.lowest == b.lowest
        assert a.probabilities.tobytes() == b.probabilities.tobytes()


def test_hundreds_of_tracks_take_seconds():
    rng = np.random.default_rng(11)
    tracks = []
    for identity in range(1, 501):
        first, x, y = int(rng.integers(0, 7400)), rng.uniform(60, 580), rng.uniform(60, 420)
        tracks.append(crossing(identity, first, first + 40, x, y))
    clips = [clip(*tracks, frames=7500)]
    assert_one_egg_per_track_and_frame(merge_tracks(clips, None, SETTINGS), clips)


def opposite_clips(width_mm, distance_share, depths_mm, laterals_mm, *, imaging_depth_mm=90.0, scale=0.22):
    """Clips of both windows over eggs at depths and lateral positions from the left, crossed in one order."""
    sides = []
    for window in ("left", "right"):
        tracks = []
        for k, (depth, lateral) in enumerate(zip(depths_mm, laterals_mm, strict=True)):
            own_depth = depth if window == "left" else distance_share * width_mm - depth
            tracks.append(
                crossing(k + 1, 20 + 60 * k, 60 + 60 * k, 300 + lateral / scale, own_depth / scale, size=50.0)
            )
        one = clip(*tracks, file=f"{window}-1.mp4", window=window, mm_per_px=scale, frames=60 * len(tracks) + 60)
        sides.append(replace(one, sector_centre_x_px=300.0, imaging_depth_px=imaging_depth_mm / scale))
    return sides


@pytest.mark.parametrize("distance_share", [0.87, 0.91, 0.95])
def test_eggs_visible_from_both_windows_are_joined_whatever_the_distance_of_the_windows(distance_share):
    depths, laterals = (40, 47, 52, 58, 63), (-30, 10, -5, 25, -20)
    grouping = merge_tracks(opposite_clips(118.0, distance_share, depths, laterals), 118.0, SETTINGS)
    assert [len(egg.members) for egg in grouping.eggs] == [2] * 5
    assert grouping.count_corrections.shelled.probability_within(0, 0) > 0.8


def test_eggs_too_deep_for_the_other_window_are_not_joined():
    depths, laterals = (25, 30, 35, 28, 33), (-30, 10, -5, 25, -20)
    left, _ = opposite_clips(118.0, 0.91, depths, laterals, imaging_depth_mm=60.0)
    mirrored = replace(left, file="right-1.mp4", window="right")
    grouping = merge_tracks([left, mirrored], 118.0, SETTINGS)
    assert len(grouping.eggs) == 10
    assert grouping.count_corrections.shelled.probability_within(0, 0) > 0.8
