"""The objects that stayed in view predict where another one reappears."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.merging.picture_motion import PictureMotion
from pipeline.track.merging.stitching import stitch
from pipeline.track.tracks import Track

SIZE = 40.0
Floats = NDArray[np.float64]


def track(identity: int, frames: range, centres: Floats, sizes: Floats | float = SIZE) -> Track:
    """centres : (N, 2), x and y"""
    number = len(frames)
    axes = np.broadcast_to(sizes, number)
    return Track(
        identity,
        np.array(frames),
        np.column_stack([centres, axes, axes, np.zeros(number)]),
        centres[:, 1].copy(),
        np.tile([0.02, 0.08, 0.9], (number, 1)),
        np.full(number, 0.9),
    )


def rotated(point: tuple[float, float], frames: range, pace: float) -> Floats:
    """Where ``point`` of frame 0 lies in a picture that rotates about its top centre by ``pace`` degrees a frame."""
    angle = np.deg2rad(pace) * np.array(frames)
    pivot = np.array([320.0, 0.0])
    x, y = np.array(point) - pivot
    points = np.column_stack([x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)])
    return np.asarray(pivot + points)


@given(pace=st.floats(-0.6, 0.6), x=st.floats(150, 500), y=st.floats(60, 350))
def test_two_objects_that_stayed_show_a_rotation_of_the_picture(pace: float, x: float, y: float) -> None:
    frames = range(30)
    stayed = [track(1, frames, rotated((250, 120), frames, pace)), track(2, frames, rotated((390, 300), frames, pace))]
    before, after = rotated((x, y), range(10, 11), pace)[0], rotated((x, y), range(20, 21), pace)[0]
    predicted = before + PictureMotion(stayed, SIZE).displacement(10, 20, before)
    assert np.hypot(*(predicted - after)) <= 0.05 * np.hypot(*(after - before)) + 1.5


def test_one_object_shows_a_shift_and_none_shows_nothing() -> None:
    frames = range(30)
    moving = np.column_stack([300 + 2.0 * np.array(frames), np.full(30, 200.0)])
    point = np.array([300.0, 150.0])
    assert PictureMotion([track(1, frames, moving)], SIZE).displacement(10, 20, point) == pytest.approx(
        [20.0, 0.0], abs=1.0
    )
    assert PictureMotion([track(1, range(15), moving[:15])], SIZE).displacement(10, 20, point) == pytest.approx(
        [0.0, 0.0]
    )
    assert PictureMotion([], SIZE).displacement(10, 20, point) == pytest.approx([0.0, 0.0])


def test_a_track_that_broke_while_the_probe_tilted_is_continued() -> None:
    """It reappears half an egg away from where it was lost, but where the others predict it."""
    settings = load_settings().track
    all_frames, pace = range(60), 0.5
    stayed = [
        track(1, all_frames, rotated((250, 120), all_frames, pace)),
        track(2, all_frames, rotated((430, 250), all_frames, pace)),
    ]
    first, second = range(20), range(32, 60)
    broken = [track(3, first, rotated((330, 330), first, pace)), track(4, second, rotated((330, 330), second, pace))]
    assert np.hypot(*(broken[0].ellipses[-1, :2] - broken[1].ellipses[0, :2])) > 0.8 * SIZE
    members = [one.members for one in stitch(0, [*stayed, *broken], settings).objects]
    assert ((0, 3), (0, 4)) in members
    without_others = [one.members for one in stitch(0, broken, settings).objects]
    assert ((0, 3), (0, 4)) not in without_others
