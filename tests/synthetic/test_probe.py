from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic.anatomy import Animal, Order, draw_animal
from synthetic.errors import PhantomError
from synthetic.probe import Sweep, Window, draw_sweep
from synthetic.species import load_profile

ANIMAL = draw_animal(np.random.default_rng(1), load_profile("trachemys-scripta"), Order(calcified=6))
seeds = st.integers(0, 2**32 - 1)


def sweep(
    seed: int, window: Window = "left", frames: int = 100, *, returns: bool = False, of: Animal = ANIMAL
) -> Sweep:
    return draw_sweep(np.random.default_rng(seed), of, window, frames, returns=returns)


@settings(deadline=None)
@given(seeds, st.sampled_from(["left", "right"]), st.integers(2, 150), st.booleans())
def test_the_face_and_the_beam_are_unit_vectors_at_right_angles(
    seed: int, window: Window, frames: int, returns: bool
) -> None:
    moved = sweep(seed, window, frames, returns=returns)
    assert moved.origins.shape == moved.rights.shape == moved.downs.shape == (frames, 3)
    assert moved.window == window
    np.testing.assert_allclose(np.linalg.norm(moved.rights, axis=1), 1)
    np.testing.assert_allclose(np.linalg.norm(moved.downs, axis=1), 1)
    np.testing.assert_allclose((moved.rights * moved.downs).sum(axis=1), 0, atol=1e-12)
    assert np.isfinite(moved.origins).all()
    assert moved.place.min() >= 0
    assert moved.place.max() <= 1 + 1e-12


@settings(deadline=None)
@given(seeds, st.sampled_from(["left", "right"]), st.booleans())
def test_the_hand_moves_and_never_jumps(seed: int, window: Window, returns: bool) -> None:
    moved = sweep(seed, window, returns=returns)
    # A rest of at most 14 frames leaves 85 of the sweep to move in, and of the shortest way back 11; at its hastiest
    # the hand goes at less than twice (out: four times) its mean pace. Drift and tremor come on top.
    hastiest = 2 / 11 if returns else 4 / 85
    step = np.linalg.norm(np.diff(moved.origins, axis=0), axis=1)
    assert step.max() < hastiest * 0.26 * ANIMAL.carapace_mm + 1.5
    turn = np.degrees(np.arccos(np.clip((moved.downs[1:] * moved.downs[:-1]).sum(axis=1), -1, 1)))
    assert turn.max() < hastiest * 44 + 1.5
    # It does go somewhere: along the body by at least a tenth of it, and it turns as it goes.
    assert np.ptp(moved.origins[:, 1]) > 0.1 * ANIMAL.carapace_mm
    furthest = int(np.abs(moved.place - moved.place[0]).argmax())
    assert np.degrees(np.arccos(moved.downs[0] @ moved.downs[furthest])) > 8


@settings(deadline=None)
@given(seeds)
def test_left_and_right_look_inward_and_mirror_each_other(seed: int) -> None:
    left, right = sweep(seed, "left"), sweep(seed, "right")
    assert (left.origins[:, 0] < 0).all()
    assert (right.origins[:, 0] > 0).all()
    assert (left.downs[:, 0] > 0.7).all()
    assert (right.downs[:, 0] < -0.7).all()
    mirror = np.array([-1.0, 1.0, 1.0])
    np.testing.assert_allclose(left.origins * mirror, right.origins)
    np.testing.assert_allclose(left.downs * mirror, right.downs)
    np.testing.assert_allclose(left.rights * mirror, right.rights)


@settings(deadline=None)
@given(seeds)
def test_a_hand_goes_one_way_unless_it_returns(seed: int) -> None:
    place = sweep(seed).place
    way = np.sign(place[-1] - place[0])
    assert (np.diff(place) * way >= 0).all()
    assert {round(float(place[0]), 9), round(float(place[-1]), 9)} == {0.0, 1.0}

    back = sweep(seed, returns=True).place
    away = np.abs(back - back[0])
    furthest = int(away.argmax())
    assert 50 <= furthest <= 76
    assert away[furthest] == pytest.approx(1.0)
    assert (np.diff(away[: furthest + 1]) >= 0).all()
    assert (np.diff(away[furthest:]) <= 0).all()
    assert 0.05 < away[-1] < 0.75


def test_hands_begin_at_either_end() -> None:
    starts = [sweep(seed).place[0] for seed in range(40)]
    assert 10 < sum(start < 0.5 for start in starts) < 30


def test_the_plane_is_upright_and_reaches_the_middle_of_the_body() -> None:
    moved = sweep(3)
    # The face runs from belly to back, within its small roll.
    assert (moved.rights[:, 2] > 0.9).all()
    assert np.abs(moved.origins[:, 0]).max() <= ANIMAL.width_mm / 2


@pytest.mark.parametrize("frames", [2, 3, 4])
@pytest.mark.parametrize("seed", range(6))
def test_the_shortest_sweeps_are_whole_too(frames: int, seed: int) -> None:
    for returns in (False, True):
        moved = sweep(seed, frames=frames, returns=returns)
        assert len(moved.place) == frames
        assert np.isfinite(moved.origins).all()


@pytest.mark.parametrize("frames", [1, 0, -3])
def test_less_than_two_frames_are_refused(frames: int) -> None:
    with pytest.raises(PhantomError, match=rf"at least 2 frames, got {frames}\."):
        sweep(0, frames=frames)


def test_sweeps_repeat_with_the_seed() -> None:
    one, same, other = sweep(1), sweep(1), sweep(2)
    np.testing.assert_array_equal(one.origins, same.origins)
    assert not np.array_equal(one.origins, other.origins)
