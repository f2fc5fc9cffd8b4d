"""Tracks of one clip, made from balls that a probe crosses along a known course."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.merging.within_clip import ClipObjects, merge_within_clip
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.track.simulated_motion import course_along, path

SETTINGS = load_settings().track
Floats = NDArray[np.float64]

FACE_XY = (320.0, 20.0)
RADIUS = 1.0  # of a ball along the course, picture differences


def sections(
    first_identity: int, course: ProbeCourse, x: float, y: float, position: float, radius_px: float = 40.0
) -> list[Track]:
    """A track for each crossing of a ball at x, y, px from the face's middle, and at a position of the course."""
    share = 1 - ((course.positions - position) / RADIUS) ** 2
    frames = np.flatnonzero(share > 0.1)
    tracks = []
    for rows in np.split(frames, np.flatnonzero(np.diff(frames) > 1) + 1):
        angle = np.deg2rad(course.in_plane_degrees[rows])
        # The picture is turned, so it shows the ball where turning it back would not.
        seen_x, seen_y = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
        size = radius_px * np.sqrt(share[rows])
        ellipses = np.column_stack([FACE_XY[0] + seen_x, FACE_XY[1] + seen_y, size, size, np.zeros(len(rows))])
        tracks.append(track(first_identity + len(tracks), rows, ellipses))
    return tracks


def track(identity: int, frames: NDArray[np.int64], ellipses: Floats) -> Track:
    count = len(frames)
    return Track(
        identity, frames, ellipses, ellipses[:, 1].copy(), np.tile([0.02, 0.08, 0.9], (count, 1)), np.full(count, 0.8)
    )


def merged(tracks: list[Track], *courses: ProbeCourse, frames: int = 200) -> ClipObjects:
    return merge_within_clip(0, ClipTracks("left-1.mp4", "left", 0.2, frames, tuple(tracks), courses=courses), SETTINGS)


def groups(found: ClipObjects) -> list[list[int]]:
    return sorted(sorted(identity for _, identity in one.members) for one in found.objects)


def returning(turned_degrees: float = 0.0) -> ProbeCourse:
    """To and fro at different paces; on the way back the picture is turned."""
    positions = path((0, 0), (60, 6), (140, 0))
    turned = np.where(np.arange(len(positions)) > 60, turned_degrees, 0.0)
    return course_along(positions, in_plane_degrees=turned, face_xy=FACE_XY)


def test_a_ball_crossed_again_in_a_turned_picture_is_one_object() -> None:
    course = returning(turned_degrees=8.0)
    tracks = sections(1, course, 60.0, 330.0, 3.0)
    assert len(tracks) == 2
    assert groups(merged(tracks, course)) == [[1, 2]]
    # Without the turn of the picture the sections lie apart.
    unturned = replace(course, in_plane_degrees=np.zeros(len(course.frames)))
    assert groups(merged(tracks, unturned)) == [[1], [2]]


def test_balls_side_by_side_are_told_apart_on_the_way_back() -> None:
    course = returning()
    left, right = sections(1, course, -50.0, 200.0, 3.0), sections(3, course, 50.0, 200.0, 3.0)
    assert groups(merged([*left, *right], course)) == [[1, 2], [3, 4]]


def test_two_balls_in_a_chain_are_two_and_one_broken_crossing_is_one() -> None:
    course = course_along(path((0, 0), (100, 10)), face_xy=FACE_XY)
    chain = [*sections(1, course, 0.0, 200.0, 3.0), *sections(2, course, 12.0, 200.0, 5.0)]
    assert groups(merged(chain, course)) == [[1], [2]]
    (whole,) = sections(1, course, 0.0, 200.0, 3.0)
    first, last = np.s_[:7], np.s_[12:]
    broken = [track(k, whole.frames[rows], whole.ellipses[rows]) for k, rows in ((1, first), (2, last))]
    assert groups(merged(broken, course)) == [[1, 2]]


@pytest.mark.parametrize(("step_px", "joined"), [(5.0, [[1, 2]]), (60.0, [[1], [2]])])
def test_a_clip_without_courses_joins_a_short_gap_at_one_place(step_px: float, joined: list[list[int]]) -> None:
    frames, ellipses = np.arange(20), np.tile([300.0, 200.0, 40.0, 40.0, 0.0], (20, 1))
    again = track(2, frames + 30, ellipses + np.array([step_px, 0, 0, 0, 0]))
    assert groups(merged([track(1, frames, ellipses), again])) == joined


def test_another_reading_of_the_hand_widens_the_count() -> None:
    course = returning()
    tracks = sections(1, course, 60.0, 200.0, 3.0)
    straight = replace(course, positions=np.linspace(0, 12, len(course.frames)), turns=())
    certain = merged(tracks, course).count_corrections.shelled
    both = merged(tracks, replace(course, probability=0.6), replace(straight, probability=0.4))
    assert groups(both) == groups(merged(tracks, course)) == [[1, 2]]
    assert certain.probability_within(1, 1) < 0.02
    assert 0.2 < both.count_corrections.shelled.probability_within(1, 1) < 0.4
    assert both.count_corrections.shelled.variance > certain.variance + 0.1
    assert both.count_corrections.follicles.probability_within(0, 0) == pytest.approx(1.0)


@st.composite
def crowded_tracks(draw: st.DrawFn) -> list[Track]:
    """Up to eight tracks at nearly one place, at any times."""
    tracks = []
    for identity in range(1, draw(st.integers(0, 8)) + 1):
        first, length = draw(st.integers(0, 150)), draw(st.integers(1, 40))
        x, y, size = draw(st.floats(240, 270)), draw(st.floats(190, 220)), draw(st.floats(30, 50))
        frames = np.arange(first, min(first + length, 141))
        if len(frames):
            tracks.append(track(identity, frames, np.tile([x, y, size, 0.8 * size, 0.0], (len(frames), 1))))
    return tracks


@given(crowded_tracks())
def test_tracks_seen_together_are_never_joined_and_none_is_lost(tracks: list[Track]) -> None:
    found = merged(tracks, returning(5.0), frames=141)
    frames = {one.identity: one.frames for one in tracks}
    assert sorted(identity for group in groups(found) for identity in group) == sorted(frames)
    for group in groups(found):
        seen = np.concatenate([frames[identity] for identity in group])
        assert len(seen) == len(np.unique(seen))
    for kind in found.count_corrections:
        assert kind.probabilities.sum() == pytest.approx(1.0)


def test_one_frame_together_outweighs_any_number_of_passes() -> None:
    course = course_along(path((0, 0), (40, 4), (80, 0), (120, 4), (160, 0), (199, 4)), face_xy=FACE_XY)
    passes = sections(1, course, 0.0, 200.0, 2.0)
    assert len(passes) == 5
    twin = replace(passes[0], identity=9)
    found = groups(merged([*passes, twin], course))
    assert len(found) == 2
    assert not any({1, 9} <= set(group) for group in found)


@settings(max_examples=50)
@given(crowded_tracks(), st.randoms(use_true_random=False))
def test_the_order_of_tracks_does_not_matter(tracks: list[Track], random: object) -> None:
    shuffled = list(tracks)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = merged(tracks, returning(), frames=141), merged(shuffled, returning(), frames=141)
    assert [each.members for each in one.objects] == [each.members for each in other.objects]
    for a, b in zip(one.count_corrections, other.count_corrections, strict=True):
        assert (a.lowest, a.probabilities.tobytes()) == (b.lowest, b.probabilities.tobytes())
