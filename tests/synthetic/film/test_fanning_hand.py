from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.fanning_hand import Fanning, draw_fanning
from synthetic.film.hand import Hand, draw_hand, draw_sweep
from synthetic.film.hand_motion import MotionOfHand
from synthetic.film.sweep import MAX_STEP_MM, MAX_TURN_DEGREES, Sweep

SMALL, LARGE = (
    draw_animal(np.random.default_rng(1), load_species_ranges(name), StageCounts())
    for name in ("terrapene-ornata", "apalone-spinifera")
)
seeds = st.integers(0, 2**32 - 1)
animals = st.sampled_from([SMALL, LARGE])
motions = st.builds(
    Fanning,
    turns=st.integers(0, 4),
    fan=st.sampled_from(["tilt", "tilt and slide", "slide"]),
    hold=st.sampled_from(["across", "along"]),
)
DRAWN = [draw_fanning(np.random.default_rng(seed)) for seed in range(400)]


def moved(seed: int, motion: Fanning, frames: int = 150, animal: Animal = SMALL) -> MotionOfHand:
    return motion.move(np.random.default_rng(seed), animal, frames)


def fan_place(motion: MotionOfHand, fan: str) -> NDArray[np.float64]:
    """(T,) degrees, or mm if the hand only slides."""
    return motion.slides_mm[:, 0] if fan == "slide" else motion.degrees[:, 1]


@settings(deadline=None)
@given(seeds, animals, motions, st.integers(2, 300))
def test_no_step_is_faster_than_a_hand(seed: int, animal: Animal, motion: Fanning, frames: int) -> None:
    intended = moved(seed, motion, frames, animal)
    assert np.isfinite(intended.slides_mm).all()
    assert intended.slides_mm.shape == (frames, 2)
    assert np.linalg.norm(np.diff(intended.slides_mm, axis=0), axis=1).max() <= MAX_STEP_MM + 1e-9
    assert np.linalg.norm(np.diff(intended.degrees, axis=0), axis=1).max() <= MAX_TURN_DEGREES + 1e-9


@settings(deadline=None)
@given(seeds, motions)
def test_the_fan_reverses_at_the_turns_and_nowhere_else(seed: int, motion: Fanning) -> None:
    motion = replace(motion, turns=min(motion.turns, 3))
    intended = moved(seed, motion)
    assert len(intended.turns) == motion.turns
    place = fan_place(intended, motion.fan)
    ends = [0, *intended.turns, len(place) - 1]
    ways = [place[end] - place[start] for start, end in pairwise(ends)]
    assert all(one * other < 0 for one, other in pairwise(ways))
    # Within a pass, only drift goes the other way.
    for (start, end), way in zip(pairwise(ends), ways, strict=True):
        along = (place[start : end + 1] - place[start]) * np.sign(way)
        assert (np.maximum.accumulate(along) - along).max() < 4.0


def test_turns_come_in_the_shares_of_practice() -> None:
    shares = np.bincount([motion.turns for motion in DRAWN], minlength=5) / len(DRAWN)
    np.testing.assert_allclose(shares, [0.25, 0.35, 0.25, 0.10, 0.05], atol=0.05)


def test_passes_and_ways_back_are_those_of_practice() -> None:
    passes, backs = [], []
    for seed in range(60):
        intended = moved(seed, Fanning(2), 180)
        ends = [0, *intended.turns, 179]
        passes += np.diff(ends).tolist()
        ways = np.abs(np.diff(intended.degrees[ends, 1]))
        backs += (ways[1:] / ways[:-1]).tolist()
    # A turn is in the middle of its rest, so up to half a rest is added at either end.
    assert 20 <= min(passes) < 40
    assert 100 < max(passes) <= 136
    assert 0.2 < min(backs) < 0.5
    assert 1.0 < max(backs) < 1.35


def test_a_fan_is_a_tilt_a_short_slide_or_both() -> None:
    for seed in range(20):
        tilts, both, slides = (moved(seed, Fanning(0, fan)) for fan in ("tilt", "tilt and slide", "slide"))
        for motion in (tilts, both):
            assert 30 < np.ptp(motion.degrees[:, 1]) < 66
        assert np.ptp(tilts.slides_mm[:, 0]) < 2.5
        assert 3 < np.ptp(both.slides_mm[:, 0]) < 17
        assert np.ptp(slides.degrees[:, 1]) < 5
        assert np.ptp(slides.slides_mm[:, 0]) > 0.1 * SMALL.carapace_mm


def test_after_a_turn_the_picture_has_turned_in_its_own_plane_by_six_degrees() -> None:
    differences = []
    for seed in range(150):
        intended = moved(seed, Fanning(1), 160)
        fan, in_plane, turn = intended.degrees[:, 1], intended.degrees[:, 2], intended.turns[0]
        for frame in range(turn, 160, 3):
            before = int(np.abs(fan[:turn] - fan[frame]).argmin())
            if abs(fan[before] - fan[frame]) < 1:
                differences.append(abs(in_plane[before] - in_plane[frame]))
    middle, high = np.percentile(differences, [50, 90])
    assert middle == pytest.approx(6, abs=1)
    assert high == pytest.approx(9, abs=1.5)


def test_some_turns_have_a_rest() -> None:
    still = []
    for seed in range(60):
        intended = moved(seed, Fanning(1))
        turn = intended.turns[0]
        still.append(np.ptp(intended.degrees[max(turn - 2, 0) : turn + 3, 1]) < 1.0)
    assert 15 < sum(still) < 55


@pytest.mark.parametrize("frames", [2, 3, 5, 9, 20])
def test_short_clips_have_fewer_turns(frames: int) -> None:
    for seed in range(20):
        intended = moved(seed, Fanning(4), frames)
        assert len(intended.turns) <= frames // 4
        assert list(intended.turns) == sorted(set(intended.turns))


def test_fewer_than_no_turns_are_refused() -> None:
    with pytest.raises(PhantomError, match="less than 0 times, got -1"):
        Fanning(-1)


def lifted(seed: int, frames: int = 150) -> Sweep:
    return draw_sweep(np.random.default_rng(seed), SMALL, "left", frames, Hand(Fanning(2), lift_offs=1))


@settings(deadline=None)
@given(seeds)
def test_a_lifted_probe_comes_back_near_its_place_and_goes_on_from_there(seed: int) -> None:
    sweep = lifted(seed)
    lost = np.flatnonzero(sweep.contact == 0)
    assert 5 <= len(lost) <= 25
    assert (np.diff(lost) == 1).all()
    assert set(np.flatnonzero(sweep.is_abrupt)) <= {*lost.tolist(), int(lost[-1]) + 1}
    before, after = lost[0] - 1, min(lost[-1] + 1, 149)
    assert np.linalg.norm(sweep.origins[after] - sweep.origins[before]) < 9
    assert np.degrees(np.arccos(sweep.downs[after] @ sweep.downs[before])) < 10
    assert len(sweep.turns) == 2


def test_events_of_all_kinds_are_drawn_and_are_no_turns() -> None:
    drawn = [draw_hand(np.random.default_rng(seed), "fanning") for seed in range(300)]
    for kind in ("slips", "kicks", "lift_offs"):
        assert 20 < sum(bool(getattr(hand, kind)) for hand in drawn) < 90, kind
    for hand in drawn[:40]:
        assert isinstance(hand.motion, Fanning)
        sweep = draw_sweep(np.random.default_rng(1), SMALL, "right", 200, hand)
        assert len(sweep.turns) == hand.motion.turns
