from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.bodies import Bodies, Kind, Measures
from synthetic.anatomy.species import load_species_ranges
from synthetic.anatomy.tubes import MAX_SLOPE, draw_guts, draw_oviducts, draw_vessels, tubes_between

seeds = st.integers(0, 2**32 - 1)
MEASURES = Measures(180.0, 140.0, 75.0)


def on_the_middle_line(tubes: Bodies, share: float) -> np.ndarray:
    """(N, 3) places at this share of the half length, along the parabola."""
    t = share * tubes.half_length
    return np.asarray(
        tubes.centres
        + t[:, None] * tubes.rotations[:, :, 0]
        + (0.5 * tubes.bend * t**2)[:, None] * tubes.rotations[:, :, 1]
    )


@given(seeds, st.integers(1, 6))
def test_a_bent_tube_runs_from_point_to_point(seed: int, number: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-40, 40, (number + 1, 3))
    slope = rng.uniform(0, MAX_SLOPE, number)
    tubes = tubes_between(rng, Kind.BOWEL, points, rng.uniform(1, 5, number), slope)
    np.testing.assert_allclose(on_the_middle_line(tubes, -1.0), points[:-1], atol=1e-9)
    np.testing.assert_allclose(on_the_middle_line(tubes, 1.0), points[1:], atol=1e-9)
    np.testing.assert_allclose(tubes.bend * tubes.half_length, slope)


@settings(deadline=None)
@given(seeds)
def test_vessels_are_much_longer_than_wide_and_no_tube_is_bent_too_far(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vessels = draw_vessels(rng, MEASURES)
    assert (vessels.half_length + vessels.semi_axes[:, 0] > 4 * vessels.semi_axes[:, 0]).all()
    for tubes in (vessels, draw_guts(rng, MEASURES), draw_oviducts(rng, MEASURES)):
        assert (tubes.bend * tubes.half_length <= MAX_SLOPE + 1e-9).all()


@settings(deadline=None)
@given(seeds)
def test_gas_lies_inside_its_gut(seed: int) -> None:
    """Every place on the gas's middle line is nearer to that of one limb than the limb's radius."""
    guts = draw_guts(np.random.default_rng(seed), MEASURES)
    limbs, gas = guts.take(guts.kinds == Kind.BOWEL), guts.take(guts.kinds == Kind.GAS)
    shares = np.linspace(-1, 1, 41)
    lines = np.stack([on_the_middle_line(limbs, share) for share in shares])  # (S, N, 3)
    for share in (-1.0, 0.0, 1.0):
        for place in on_the_middle_line(gas, share):
            near = np.linalg.norm(lines - place, axis=2).min(axis=0)
            assert (near < limbs.semi_axes[:, 1]).any()


def test_most_vessels_and_guts_are_tubes_and_targets_never_are() -> None:
    profile = load_species_ranges("trachemys-scripta")
    counts = StageCounts(calcified=3, follicles=6)
    animals = [draw_animal(np.random.default_rng(seed), profile, counts) for seed in range(12)]
    kinds = np.concatenate([animal.kinds for animal in animals])
    is_tube = np.concatenate([animal.half_length > 0 for animal in animals])
    assert not is_tube[kinds >= Kind.FOLLICLE].any()
    for kind in (Kind.VESSEL, Kind.BOWEL):
        assert 0.5 < is_tube[kinds == kind].mean() < 1.0
