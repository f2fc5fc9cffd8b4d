"""Where an object comes back is foretold by what stayed in view."""

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


def track(identity: int, frames: range, places: Floats, sizes: Floats | float = SIZE) -> Track:
    """places (N, 2), x and y."""
    number = len(frames)
    axes = np.broadcast_to(sizes, number)
    return Track(
        identity,
        np.array(frames),
        np.column_stack([places, axes, axes, np.zeros(number)]),
        places[:, 1].copy(),
        np.tile([0.02, 0.08, 0.9], (number, 1)),
        np.full(number, 0.9),
    )


def swung(place: tuple[float, float], frames: range, pace: float) -> Floats:
    """Where a picture that turns about its top by ``pace`` degrees a frame shows what lay at ``place`` in frame 0."""
    angle = np.deg2rad(pace) * np.array(frames)
    middle = np.array([320.0, 0.0])
    x, y = np.array(place) - middle
    places = np.column_stack([x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)])
    return np.asarray(middle + places)


@given(pace=st.floats(-0.6, 0.6), x=st.floats(150, 500), y=st.floats(60, 350))
def test_a_turn_of_the_picture_is_told_by_two_that_stayed(pace: float, x: float, y: float) -> None:
    frames = range(30)
    stayed = [track(1, frames, swung((250, 120), frames, pace)), track(2, frames, swung((390, 300), frames, pace))]
    before, after = swung((x, y), range(10, 11), pace)[0], swung((x, y), range(20, 21), pace)[0]
    foretold = before + PictureMotion(stayed, SIZE).displacement(10, 20, before)
    assert np.hypot(*(foretold - after)) <= 0.05 * np.hypot(*(after - before)) + 1.5


def test_one_tells_a_shift_and_none_tells_nothing() -> None:
    frames = range(30)
    moving = np.column_stack([300 + 2.0 * np.array(frames), np.full(30, 200.0)])
    place = np.array([300.0, 150.0])
    assert PictureMotion([track(1, frames, moving)], SIZE).displacement(10, 20, place) == pytest.approx(
        [20.0, 0.0], abs=1.0
    )
    assert PictureMotion([track(1, range(15), moving[:15])], SIZE).displacement(10, 20, place) == pytest.approx(
        [0.0, 0.0]
    )
    assert PictureMotion([], SIZE).displacement(10, 20, place) == pytest.approx([0.0, 0.0])


def test_a_track_that_broke_while_the_hand_tilted_goes_on() -> None:
    """Half an egg away from where it was lost, but where the others say that it must be."""
    settings = load_settings().track
    whole, pace = range(60), 0.5
    stayed = [track(1, whole, swung((250, 120), whole, pace)), track(2, whole, swung((430, 250), whole, pace))]
    first, second = range(20), range(32, 60)
    broken = [track(3, first, swung((330, 330), first, pace)), track(4, second, swung((330, 330), second, pace))]
    assert np.hypot(*(broken[0].ellipses[-1, :2] - broken[1].ellipses[0, :2])) > 0.8 * SIZE
    members = [one.members for one in stitch(0, [*stayed, *broken], settings).objects]
    assert ((0, 3), (0, 4)) in members
    alone = [one.members for one in stitch(0, broken, settings).objects]
    assert ((0, 3), (0, 4)) not in alone
