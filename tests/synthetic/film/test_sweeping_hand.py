from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.hand import PLAIN_HAND, Hand, draw_hand, draw_sweep
from synthetic.film.sweep import MAX_STEP_MM, MAX_TURN_DEGREES, Sweep, Window
from synthetic.film.sweeping_hand import Sweeping, draw_sweeping

SMALL, LARGE = (
    draw_animal(np.random.default_rng(1), load_species_ranges(name), StageCounts())
    for name in ("terrapene-ornata", "apalone-spinifera")
)
ANIMAL = draw_animal(np.random.default_rng(1), load_species_ranges("trachemys-scripta"), StageCounts(calcified=6))

seeds = st.integers(0, 2**32 - 1)
windows: st.SearchStrategy[Window] = st.sampled_from(["left", "right"])
animals = st.sampled_from([SMALL, ANIMAL, LARGE])
motions = st.builds(Sweeping, returns=st.booleans(), rocks=st.booleans())
hands = st.builds(Hand, motions, slips=st.integers(0, 2), kicks=st.integers(0, 2), lift_offs=st.integers(0, 1))
without_events = st.builds(Hand, motions)


def sweep(seed: int, window: Window = "left", frames: int = 100, hand: Hand = PLAIN_HAND) -> Sweep:
    return draw_sweep(np.random.default_rng(seed), ANIMAL, window, frames, hand)


def steps_mm(moved: Sweep) -> NDArray[np.float64]:
    """(T - 1,) of the face's middle."""
    return np.asarray(np.linalg.norm(np.diff(moved.origins, axis=0), axis=1))


def turns_degrees(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """(T - 1,) between neighbours of (T, 3) unit vectors."""
    return np.asarray(np.degrees(np.arccos(np.clip((vectors[1:] * vectors[:-1]).sum(axis=1), -1, 1))))


@settings(deadline=None)
@given(seeds, animals, windows, st.integers(2, 150), hands)
def test_face_and_beam_are_perpendicular_unit_vectors(
    seed: int, animal: Animal, window: Window, frames: int, hand: Hand
) -> None:
    moved = draw_sweep(np.random.default_rng(seed), animal, window, frames, hand)
    assert moved.origins.shape == moved.rights.shape == moved.downs.shape == (frames, 3)
    assert moved.pressure_mm.shape == moved.contact.shape == moved.is_abrupt.shape == (frames,)
    assert moved.window == window
    np.testing.assert_allclose(np.linalg.norm(moved.rights, axis=1), 1)
    np.testing.assert_allclose(np.linalg.norm(moved.downs, axis=1), 1)
    np.testing.assert_allclose((moved.rights * moved.downs).sum(axis=1), 0, atol=1e-12)
    assert np.isfinite(moved.origins).all()
    assert moved.contact.min() >= -1e-12
    assert moved.contact.max() <= 1
    assert np.abs(moved.pressure_mm).max() <= 2


@settings(deadline=None, max_examples=300)
@given(seeds, animals, windows, st.integers(2, 150), hands)
def test_steps_that_are_not_marked_as_abrupt_are_within_the_limits(
    seed: int, animal: Animal, window: Window, frames: int, hand: Hand
) -> None:
    moved = draw_sweep(np.random.default_rng(seed), animal, window, frames, hand)
    intended = ~moved.is_abrupt[1:]
    # Over the skin, pressing, and the effect of the pressure when the beam turns.
    assert steps_mm(moved)[intended].max(initial=0) <= np.hypot(MAX_STEP_MM, 0.4) + 2 * np.deg2rad(MAX_TURN_DEGREES)
    assert turns_degrees(moved.downs)[intended].max(initial=0) <= 1.02 * MAX_TURN_DEGREES
    assert turns_degrees(moved.rights)[intended].max(initial=0) <= MAX_TURN_DEGREES + 0.5
    assert not moved.is_abrupt[0]
    if not hand.slips and not hand.kicks and not hand.lift_offs:
        assert intended.all()
        assert (moved.contact == 1).all()


def test_a_hand_is_rarely_near_its_largest_speed() -> None:
    hand, fastest_turn, near_limit = Hand(Sweeping(returns=True, rocks=True)), 0.0, []
    for seed in range(600):
        moved = draw_sweep(np.random.default_rng(seed), SMALL, "left", 60, hand)
        fastest_turn = max(fastest_turn, turns_degrees(moved.downs).max())
        moved = draw_sweep(np.random.default_rng(seed), LARGE, "left", 60, hand)
        near_limit.append((steps_mm(moved) > 0.95 * MAX_STEP_MM).mean())
    assert 0.95 * MAX_TURN_DEGREES < fastest_turn <= 1.02 * MAX_TURN_DEGREES
    assert np.mean(near_limit) < 0.03


def test_the_largest_speeds_are_plausible() -> None:
    # 25 frames per second: at most about 4 cm and 60 degrees per second.
    assert 1 <= MAX_STEP_MM <= 2
    assert 2 <= MAX_TURN_DEGREES <= 3


@settings(deadline=None)
@given(seeds, windows, without_events)
def test_the_hand_moves_and_turns(seed: int, window: Window, hand: Hand) -> None:
    moved = sweep(seed, window, hand=hand)
    # It moves along the body and turns.
    assert np.ptp(moved.origins[:, 1]) > 0.08 * ANIMAL.carapace_mm
    furthest = int(np.abs(moved.origins[:, 1] - moved.origins[0, 1]).argmax())
    assert np.degrees(np.arccos(moved.downs[0] @ moved.downs[furthest])) > 5
    # Tilt follows the slide: at the head end the beam points towards the head.
    assert np.corrcoef(moved.origins[:, 1], moved.downs[:, 1])[0, 1] > 0.5


@settings(deadline=None)
@given(seeds, hands)
def test_left_and_right_point_inward_and_mirror_each_other(seed: int, hand: Hand) -> None:
    left, right = sweep(seed, "left", hand=hand), sweep(seed, "right", hand=hand)
    assert (left.origins[:, 0] < 0).all()
    assert (right.origins[:, 0] > 0).all()
    assert (left.downs[:, 0] > 0.6).all()
    assert (right.downs[:, 0] < -0.6).all()
    mirror = np.array([-1.0, 1.0, 1.0])
    np.testing.assert_allclose(left.origins * mirror, right.origins)
    np.testing.assert_allclose(left.downs * mirror, right.downs)
    np.testing.assert_allclose(left.rights * mirror, right.rights)


@settings(deadline=None)
@given(seeds)
def test_a_hand_moves_one_way_unless_it_returns(seed: int) -> None:
    # Drift and pressing may move it back a little.
    slack_mm = 2.5
    out = sweep(seed).origins[:, 1]
    out = (out - out[0]) * np.sign(out[-1] - out[0])
    assert (np.maximum.accumulate(out) - out).max() < slack_mm

    assert sweep(seed).turns == ()
    returned = sweep(seed, hand=Hand(Sweeping(returns=True)))
    back = returned.origins[:, 1]
    away = np.abs(back - back[0])
    furthest = int(away.argmax())
    assert 40 <= furthest <= 90
    assert returned.turns == (pytest.approx(furthest, abs=15),)
    assert (np.maximum.accumulate(away[:furthest]) - away[:furthest]).max() < slack_mm
    assert (away[furthest:] - np.minimum.accumulate(away[furthest:])).max() < slack_mm
    assert away[-1] < away[furthest] - 0.02 * ANIMAL.carapace_mm


def test_sweeps_start_at_either_end_and_some_rest() -> None:
    many = [sweep(seed) for seed in range(40)]
    starts = [moved.origins[0, 1] < moved.origins[-1, 1] for moved in many]
    assert 10 < sum(starts) < 30

    def rests(moved: Sweep) -> bool:
        """Less than a mm along the body in 8 consecutive frames."""
        return bool((np.abs(moved.origins[8:, 1] - moved.origins[:-8, 1]) < 1.0).any())

    assert 5 < sum(map(rests, many)) < 35


def test_only_a_hand_that_rocks_swings_in_the_plane() -> None:
    for seed in range(20):
        plain, rocking = sweep(seed), sweep(seed, hand=Hand(Sweeping(rocks=True)))
        # Rocking is drawn last of all intended motion, so that the rest is the same.
        in_plane = np.degrees(np.arcsin(rocking.downs[:, 2]) - np.arcsin(plain.downs[:, 2]))
        assert 4 < np.ptp(in_plane) < 20
        crossings = np.count_nonzero(np.diff(np.sign(in_plane - np.median(in_plane))))
        assert 3 <= crossings <= 9
        np.testing.assert_allclose(rocking.origins[:, 1], plain.origins[:, 1], atol=2.5)


@settings(deadline=None)
@given(seeds, st.integers(30, 150))
def test_a_slip_moves_the_probe_several_mm_in_a_few_frames(seed: int, frames: int) -> None:
    plain, slipped = sweep(seed, frames=frames), sweep(seed, frames=frames, hand=Hand(slips=1))
    moved = np.flatnonzero(slipped.is_abrupt)
    assert 1 <= len(moved) <= 4
    assert (np.diff(moved) == 1).all()
    away = np.linalg.norm(slipped.origins - plain.origins, axis=1)
    np.testing.assert_allclose(away[: moved[0]], 0, atol=1e-9)
    if moved[-1] < frames - 3:  # it ended before the last frame
        assert (away[moved[-1] :] > 2.5).all()
        assert (away[moved[-1] :] < 10).all()
    assert (slipped.contact == 1).all()


@settings(deadline=None)
@given(seeds)
def test_a_kick_jerks_the_body_and_is_mostly_undone(seed: int) -> None:
    plain, kicked = sweep(seed), sweep(seed, hand=Hand(kicks=1))
    moved = np.flatnonzero(kicked.is_abrupt)
    assert 1 <= len(moved) <= 16
    away = np.linalg.norm(kicked.origins - plain.origins, axis=1)
    if moved[-1] < 95:
        assert away.max() > 2.5
        assert away[-1] < 0.35 * away.max()
    lost = np.flatnonzero(kicked.contact < 1)
    assert len(lost) <= 14
    if len(lost):
        assert lost[0] >= moved[0]


def test_kicks_often_break_the_contact() -> None:
    lost = [sweep(seed, hand=Hand(kicks=1)).contact.min() < 0.5 for seed in range(60)]
    assert 20 < sum(lost) < 50


def test_all_kinds_of_hands_are_drawn() -> None:
    drawn = [draw_sweeping(np.random.default_rng(seed)) for seed in range(200)]
    for kind in ("returns", "rocks"):
        assert 15 < sum(bool(getattr(motion, kind)) for motion in drawn) < 90, kind
    assert Hand() in [draw_hand(np.random.default_rng(seed), "sweeping") for seed in range(50)]


@pytest.mark.parametrize("seed", range(6))
def test_the_two_windows_reach_partly_the_same_places(seed: int) -> None:
    left, right = sweep(seed, "left"), sweep(seed + 100, "right")
    # From each side a machine shows 0.52 to 0.72 of the width: see film.draw_machine.
    y = np.linspace(-0.3, 0.3, 31) * ANIMAL.carapace_mm
    x = np.linspace(-0.44, 0.44, 31) * ANIMAL.width_mm

    def reached(moved: Sweep) -> NDArray[np.bool_]:
        """Which places of a grid in the body's middle layer are within 2 mm of some plane of the sweep."""
        places = np.stack(np.meshgrid(x, y, [0.0], indexing="ij"), axis=-1).reshape(-1, 1, 3)
        offset = places - moved.origins
        across = np.cross(moved.rights, moved.downs)
        near = np.abs((offset * across).sum(-1)) < 2
        depth = (offset * moved.downs).sum(-1)
        return np.asarray((near & (depth > 0) & (depth < 0.6 * ANIMAL.width_mm)).any(axis=1))

    one, other = reached(left), reached(right)
    both, either = (one & other).sum(), (one | other).sum()
    assert 0.02 * either < both < 0.6 * either
    assert (one & ~other).any()
    assert (other & ~one).any()


def test_the_plane_is_vertical_and_starts_within_the_body() -> None:
    moved = sweep(3)
    # The face runs from belly to back, within its small roll.
    assert (moved.rights[:, 2] > 0.9).all()
    assert np.abs(moved.origins[:, 0]).max() <= ANIMAL.width_mm / 2


def test_pressing_moves_the_face_along_the_beam() -> None:
    moved = sweep(4)
    assert np.ptp(moved.pressure_mm) > 0.5
    skin = moved.origins - moved.pressure_mm[:, None] * moved.downs
    np.testing.assert_allclose(skin[:, 0], -0.45 * ANIMAL.width_mm)


@pytest.mark.parametrize(("frames", "seed"), list(product([2, 3, 4], range(6))))
def test_the_shortest_sweeps_are_complete(frames: int, seed: int) -> None:
    for hand in (Hand(), Hand(Sweeping(returns=True, rocks=True), slips=1, kicks=1)):
        moved = sweep(seed, frames=frames, hand=hand)
        assert len(moved.contact) == frames
        assert np.isfinite(moved.origins).all()


@pytest.mark.parametrize("frames", [1, 0, -3])
def test_fewer_than_two_frames_are_refused(frames: int) -> None:
    with pytest.raises(PhantomError, match=rf"at least 2 frames, got {frames}\."):
        sweep(0, frames=frames)


@pytest.mark.parametrize("wrong", [{"slips": -1}, {"kicks": -2}, {"lift_offs": -1}])
def test_negative_numbers_of_events_are_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(PhantomError, match="cannot be less than 0"):
        Hand(**wrong)


def test_the_same_seed_gives_the_same_sweep() -> None:
    hand = Hand(Sweeping(returns=True, rocks=True), slips=1, kicks=1)
    one, same, other = sweep(1, hand=hand), sweep(1, hand=hand), sweep(2, hand=hand)
    np.testing.assert_array_equal(one.origins, same.origins)
    np.testing.assert_array_equal(one.contact, same.contact)
    assert not np.array_equal(one.origins, other.origins)
