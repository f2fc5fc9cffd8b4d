from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from synthetic.anatomy import clutch
from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.bodies import Kind, Measures
from synthetic.anatomy.clutch import FUSED, MISSHAPEN, draw_eggs, fuse
from synthetic.anatomy.reproductive_state import draw_stage_counts
from synthetic.anatomy.species import PHANTOM_SPECIES, SpeciesRanges, load_species_ranges
from synthetic.errors import PhantomError
from tests.synthetic.overlap_by_sampling import overlapping_pairs, points_in_ball, points_of

profiles = st.sampled_from(PHANTOM_SPECIES).map(load_species_ranges)
seeds = st.integers(0, 2**32 - 1)

# An egg scatters about its mother's own size with 2 % in length and 1.5 % in width: five deviations, then.
LENGTH_SCATTER, WIDTH_SCATTER = 0.1, 0.075


def drawn(seed: int, profile: SpeciesRanges) -> tuple[StageCounts, Animal]:
    rng = np.random.default_rng(seed)
    order = draw_stage_counts(rng, profile)
    try:
        return order, draw_animal(rng, profile, order)
    except PhantomError:
        # A small body may not hold a large clutch; see the refusals below.
        assume(False)
        raise


def placed_bodies(animal: Animal) -> tuple[NDArray[np.float64], ...]:
    return animal.centres, animal.semi_axes, animal.rotations


@settings(deadline=None, max_examples=60)
@given(seeds, profiles)
def test_an_animal_carries_the_given_counts_apart_and_inside(seed: int, profile: SpeciesRanges) -> None:
    order, animal = drawn(seed, profile)
    wanted = animal.target_indices
    numbers = [int((animal.kinds == kind).sum()) for kind in (Kind.CALCIFIED, Kind.THIN_SHELLED, Kind.FOLLICLE)]
    assert numbers == [order.calcified, order.thin_shelled, order.follicles]
    parts = tuple(values[wanted] for values in placed_bodies(animal))
    # At most one egg was moved into its neighbour. It alone may touch others, and without it all are apart.
    pairs = overlapping_pairs(*parts)
    if pairs:
        (fused, *_) = set.intersection(*map(set, pairs)) or {-1}
        assert animal.kinds[wanted[fused]] >= Kind.THIN_SHELLED
        assert all(fused in pair for pair in pairs)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(clutch, "FUSED", 0.0)
            _, apart = drawn(seed, profile)
        assert overlapping_pairs(*(values[apart.target_indices] for values in placed_bodies(apart))) == []
    body = np.array([animal.width_mm, animal.carapace_mm, animal.height_mm]) / 2
    ball = points_in_ball(200)
    for part in zip(*parts, strict=True):
        away = np.linalg.norm(points_of(*part, ball) / body, axis=1)
        # The tip of a long egg may press on the wall, which is not really an ellipsoid.
        assert away.max() <= 1.1
        assert (away <= 1.0).mean() >= 0.9


@settings(deadline=None, max_examples=60)
@given(seeds, profiles)
def test_sizes_are_those_of_the_species(seed: int, profile: SpeciesRanges) -> None:
    order, animal = drawn(seed, profile)
    assert profile.carapace_mm[0] <= animal.carapace_mm <= profile.carapace_mm[1]
    assert profile.width_ratio[0] <= animal.width_mm / animal.carapace_mm <= profile.width_ratio[1]
    assert profile.height_ratio[0] <= animal.height_mm / animal.carapace_mm <= profile.height_ratio[1]

    shelled = 2 * animal.semi_axes[animal.kinds >= Kind.THIN_SHELLED]
    if len(shelled):
        shelled = shelled[shelled[:, 1] == shelled[:, 2]]  # the others are misshapen
        length, width = shelled[:, 0], shelled[:, 1]
    if len(shelled):
        assert (length >= width).all()
        # Of nearly round eggs either measure may come out longer.
        shortest = min(profile.egg_length_mm[0], profile.egg_width_mm[0])
        assert length.min() >= profile.egg_length_mm[0] * (1 - LENGTH_SCATTER)
        assert length.max() <= profile.egg_length_mm[1] * (1 + LENGTH_SCATTER)
        assert width.min() >= shortest * (1 - LENGTH_SCATTER)
        assert width.max() <= profile.egg_width_mm[1] * (1 + WIDTH_SCATTER)
        # One female's eggs are of similar size.
        assert length.max() / length.min() < 1.2
    follicles = 2 * animal.semi_axes[animal.kinds == Kind.FOLLICLE]
    assert len(follicles) == order.follicles
    if len(follicles):
        assert follicles.min() >= 0.85 * 0.6 * profile.follicle_mm[0]  # atretic ones shrink
        assert follicles.max() <= 1.15 * profile.follicle_mm[1]


@settings(deadline=None, max_examples=20)
@given(seeds, profiles)
def test_small_organs_give_way_to_eggs_and_rotations_are_rotations(seed: int, profile: SpeciesRanges) -> None:
    _, animal = drawn(seed, profile)
    small = [Kind.VESSEL, Kind.BLADDER, Kind.BOWEL, Kind.CYST, Kind.CORPUS_LUTEUM, Kind.UROLITH]
    # Tubes lie behind and between the others; anything may overlap them.
    own = (np.isin(animal.kinds, small) & (animal.half_length == 0)) | (animal.kinds >= Kind.FOLLICLE)
    pairs = overlapping_pairs(animal.centres[own], animal.semi_axes[own], animal.rotations[own])
    # At most one egg is fused with its neighbour; only it may touch more.
    assert not pairs or set.intersection(*map(set, pairs))
    turned = animal.rotations @ animal.rotations.transpose(0, 2, 1)
    np.testing.assert_allclose(turned, np.eye(3)[None].repeat(len(turned), 0), atol=1e-12)
    np.testing.assert_allclose(np.linalg.det(animal.rotations), 1.0)
    # Drawing order: targets come last.
    assert (np.diff(animal.kinds) >= 0).all()


def test_shapes_are_one_on_the_surface() -> None:
    animal = draw_animal(np.random.default_rng(1), load_species_ranges("emys-orbicularis"), StageCounts(calcified=4))
    tips = animal.rotations * animal.semi_axes[:, None, :]  # columns from the centre to the surface
    np.testing.assert_allclose(np.einsum("kia,kij,kja->ka", tips, animal.shapes, tips), 1.0, rtol=1e-9)


def test_both_oviducts_are_used_evenly() -> None:
    profile = load_species_ranges("trachemys-scripta")
    for seed in range(5):
        animal = draw_animal(np.random.default_rng(seed), profile, StageCounts(calcified=10))
        left = (animal.centres[animal.target_indices, 0] < 0).sum()
        assert 4 <= left <= 6


def test_the_same_seed_gives_the_same_animal_and_another_does_not() -> None:
    profile = load_species_ranges("testudo-hermanni-boettgeri")
    one, same, other = (draw_animal(np.random.default_rng(s), profile, StageCounts(calcified=4)) for s in (5, 5, 6))
    np.testing.assert_array_equal(one.centres, same.centres)
    np.testing.assert_array_equal(one.kinds, same.kinds)
    assert one.carapace_mm != other.carapace_mm


def test_an_animal_without_eggs_has_organs_only() -> None:
    animal = draw_animal(np.random.default_rng(0), load_species_ranges("emys-orbicularis"), StageCounts())
    assert len(animal.target_indices) == 0
    assert len(animal.kinds) > 5


def test_more_than_a_body_holds_is_refused_with_advice() -> None:
    with pytest.raises(PhantomError) as caught:
        draw_animal(np.random.default_rng(0), load_species_ranges("emys-orbicularis"), StageCounts(calcified=90))
    text = str(caught.value)
    assert "calcified=90" in text
    assert "Emys orbicularis of " in text
    assert "at most 50 %" in text
    assert "Ask for fewer or for a larger species" in text


def test_eggs_that_fit_by_volume_but_cannot_be_placed_are_refused_with_advice() -> None:
    """A body as flat as its eggs are wide: they fit in one layer only."""
    profile = load_species_ranges("gopherus-polyphemus").model_copy(update={"height_ratio": (0.3, 0.3)})
    refusals = []
    for seed in range(12):
        try:
            draw_animal(np.random.default_rng(seed), profile, StageCounts(calcified=11))
        except PhantomError as error:
            refusals.append(str(error))
    assert any("does not fit" in text and "ask for fewer" in text for text in refusals), refusals


def test_negative_counts_are_refused() -> None:
    with pytest.raises(PhantomError, match=r"must not be negative.*follicles=-1"):
        draw_animal(np.random.default_rng(0), load_species_ranges("emys-orbicularis"), StageCounts(follicles=-1))


def test_a_few_eggs_are_misshapen_and_a_few_clutches_hold_fused_eggs() -> None:
    profile = load_species_ranges("trachemys-scripta")
    rng = np.random.default_rng(8)
    measures = Measures(200.0, 150.0, 90.0)
    eggs = draw_eggs(rng, profile, Kind.CALCIFIED, 4000, measures)
    misshapen = (eggs.semi_axes[:, 1] != eggs.semi_axes[:, 2]).mean()
    assert misshapen == pytest.approx(MISSHAPEN, abs=0.01)
    pair = draw_eggs(rng, profile, Kind.CALCIFIED, 2, measures)
    moved = [fuse(rng, pair).centres for _ in range(2000)]
    fused = [centres for centres in moved if not np.array_equal(centres, pair.centres)]
    assert len(fused) / len(moved) == pytest.approx(FUSED, abs=0.012)
    apart = np.linalg.norm(np.diff(pair.centres, axis=0))
    assert np.linalg.norm(np.diff(fused[0], axis=0)) == pytest.approx(apart * 6 / 7)
