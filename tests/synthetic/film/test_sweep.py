from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.film.hand_motion import Hold, MotionOfHand
from synthetic.film.sweep import Sweep, Window

ANIMAL = draw_animal(np.random.default_rng(1), load_species_ranges("trachemys-scripta"), StageCounts())
windows: st.SearchStrategy[Window] = st.sampled_from(["left", "right"])
holds: st.SearchStrategy[Hold] = st.sampled_from(["across", "along"])
angles = st.floats(-40, 40)


def held(
    window: Window, hold: Hold, degrees: tuple[float, float, float], slides: tuple[float, float] = (0.0, 0.0)
) -> Sweep:
    """A probe that goes within two frames from straight to the given twist, fan and in-plane rotation."""
    places = np.array([(0.0, 0.0), slides])
    motion = MotionOfHand(hold, places, np.array([(0.0, 0.0, 0.0), degrees]), np.array([0.0, 1.0]), ())
    return motion.sweep(ANIMAL, window, np.ones(2), np.zeros(2, dtype=np.bool_))


def test_a_straight_probe_points_inward_and_has_no_rotation() -> None:
    for window, beam in (("left", 1.0), ("right", -1.0)):
        sweep = held(window, "across", (0, 0, 0))  # type: ignore[arg-type]
        np.testing.assert_allclose(sweep.downs[0], [beam, 0, 0], atol=1e-12)
        np.testing.assert_allclose(sweep.rights[0], [0, 0, 1], atol=1e-12)
        np.testing.assert_allclose(sweep.poses[0], [-0.45 * beam * ANIMAL.width_mm, 0, 0, 0, 0, 0], atol=1e-9)


@given(windows, holds, angles, angles)
def test_an_in_plane_rotation_leaves_the_plane_and_the_face_in_place(
    window: Window, hold: Hold, twist: float, degrees: float
) -> None:
    one, other = held(window, hold, (twist, 25, 0)), held(window, hold, (twist, 25, degrees))
    normals = [np.cross(sweep.rights[1], sweep.downs[1]) for sweep in (one, other)]
    np.testing.assert_allclose(*normals, atol=1e-9)
    assert np.degrees(np.arccos((one.rights[1] @ other.rights[1]).clip(-1, 1))) == pytest.approx(abs(degrees), abs=1e-4)


@given(windows, holds, angles, angles)
def test_a_fan_turns_the_beam_out_of_the_plane_about_the_face(
    window: Window, hold: Hold, twist: float, degrees: float
) -> None:
    one, other = held(window, hold, (twist, 0, 0)), held(window, hold, (twist, degrees, 0))
    np.testing.assert_allclose(one.rights[1], other.rights[1], atol=1e-9)
    # To the head or, if the face lies along the body, to the back.
    upward = other.downs[1, 1 if hold == "across" else 2]
    assert np.sign(round(upward, 9)) == np.sign(round(np.sin(np.deg2rad(degrees)) * np.cos(np.deg2rad(twist)), 9))


@given(windows, holds, angles, angles, angles)
def test_poses_are_the_place_and_the_attitude(
    window: Window, hold: Hold, twist: float, fan: float, in_plane: float
) -> None:
    sweep = held(window, hold, (twist, fan, in_plane), (3.0, -2.0))
    np.testing.assert_allclose(sweep.poses[:, :3], sweep.origins)
    turned = Rotation.from_rotvec(sweep.poses[:, 3:], degrees=True)
    np.testing.assert_allclose(turned.apply([1.0 if window == "left" else -1.0, 0, 0]), sweep.downs, atol=1e-9)
    np.testing.assert_allclose(turned.apply([0, 0, 1.0]), sweep.rights, atol=1e-9)


def test_the_direction_is_that_of_the_plane_along_the_body() -> None:
    assert held("left", "across", (0, 20, 0)).direction == "tail to head"
    assert held("right", "across", (0, -20, 0)).direction == "head to tail"
    assert held("left", "across", (0, 0, 0), (-9, 0)).direction == "head to tail"
    assert held("left", "along", (0, 20, 0)).direction is None


def test_a_delay_keeps_the_turns_at_their_moments() -> None:
    numbers = np.arange(6.0)
    motion = MotionOfHand("across", np.stack([numbers] * 2, 1), np.stack([numbers] * 3, 1), numbers, (2, 4))
    delayed = motion.delayed(np.array([0, 1, 2, 2, 2, 3, 4, 5]))
    assert delayed.slides_mm[:, 0].tolist() == [0, 1, 2, 2, 2, 3, 4, 5]
    assert delayed.turns == (2, 6)
