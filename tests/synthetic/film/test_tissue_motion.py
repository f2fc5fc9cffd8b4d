from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor

from synthetic.acoustics.beam_rendering import Plane
from synthetic.acoustics.plane_sections import AnimalBatch
from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.species import load_species_ranges
from synthetic.film.tissue_motion import MOTION_DECAY_MM, MovingNoise, TissueMotion, draw_breath
from tests.synthetic.acoustic_bench import tissue

MOMENTS = 5


def random_plane(seed: int, moments: int = MOMENTS) -> Plane:
    generator = torch.Generator().manual_seed(seed)
    down = torch.nn.functional.normalize(torch.randn(moments, 3, generator=generator), dim=1)
    right = torch.nn.functional.normalize(torch.linalg.cross(down, torch.randn(moments, 3, generator=generator)), dim=1)
    return Plane(20 * torch.randn(moments, 3, generator=generator), right, down)


def motion(seed: int, plane: Plane | None = None) -> TissueMotion:
    """With the strongest pressure and breath."""
    generator = torch.Generator().manual_seed(seed)
    plane = plane or random_plane(seed)
    moments = len(plane.origin)
    breath = 3 * torch.nn.functional.normalize(torch.randn(moments, 3, generator=generator), dim=1)
    return TissueMotion.of(plane, 4 * torch.rand(moments, generator=generator) - 2, breath)


def below(moved: TissueMotion, depth_mm: float) -> Tensor:
    """(B, 1, 3) places at a depth below the middle of the face."""
    return (moved.face + depth_mm * moved.down)[:, None]


def test_tissue_at_the_probe_moves_with_it_and_deep_tissue_with_the_breath() -> None:
    moved = motion(1)
    for depth in (0.0, -3.0):  # the ends of a curved face lie above its middle
        torch.testing.assert_close(moved.displacement(below(moved, depth))[:, 0], moved.push)
    torch.testing.assert_close(moved.displacement(below(moved, 20 * MOTION_DECAY_MM))[:, 0], moved.breath)
    halfway = moved.displacement(below(moved, MOTION_DECAY_MM * float(np.log(2))))[:, 0]
    torch.testing.assert_close(halfway, (moved.push + moved.breath) / 2)
    torch.testing.assert_close(moved.push, moved.down * (moved.push * moved.down).sum(1, keepdim=True))


def test_pressure_compresses_tissue_along_the_beam_most_near_the_probe() -> None:
    plane = Plane(*(torch.tensor([row]) for row in ([0.0, 0, 0], [1.0, 0, 0], [0.0, 0, 1])))
    pressed = TissueMotion.of(plane, torch.tensor([2.0]), torch.zeros(1, 3))
    depths = torch.arange(0.0, 100.0, 10.0)
    at_rest = torch.stack([torch.zeros(10), torch.zeros(10), depths - 2.0], -1)[None]  # the face at rest was at -2
    there = pressed.moved(at_rest)
    assert there[..., :2].abs().max() == 0
    gaps = there[0, :, 2].diff()
    # Ten mm of tissue become shorter, less so with depth, and never by more than the push decays.
    assert (gaps < 10).all()
    assert (gaps.diff() > 0).all()
    assert gaps[0].item() == pytest.approx(10 - 2 * (1 - np.exp(-gaps[0].item() / MOTION_DECAY_MM)), abs=1e-4)
    assert there[0, 0, 2].item() == pytest.approx(0, abs=1e-4)


def test_moved_and_displacement_are_inverse() -> None:
    for seed in range(10):
        moved = motion(seed)
        generator = torch.Generator().manual_seed(seed)
        # Random places below the face, in the body.
        places = moved.face[:, None] + 60 * torch.rand(MOMENTS, 40, 1, generator=generator) * moved.down[:, None]
        places = places + 15 * torch.randn(MOMENTS, 40, 3, generator=generator)
        there = moved.moved(places)
        assert (there - moved.displacement(there) - places).norm(dim=-1).max() < 1e-3
        assert (there - places).norm(dim=-1).max() > 0.5


def test_the_shape_of_the_array_of_places_does_not_matter() -> None:
    moved = motion(2)
    grid = 30 * torch.randn(MOMENTS, 4, 6, 3, generator=torch.Generator().manual_seed(1))
    flat = moved.displacement(grid.flatten(1, 2)).view_as(grid)
    torch.testing.assert_close(moved.displacement(grid), flat)


def test_soft_parts_move_with_their_centres_and_keep_their_shape() -> None:
    animal = draw_animal(np.random.default_rng(3), load_species_ranges("emys-orbicularis"), StageCounts(calcified=5))
    animal_batch = AnimalBatch.of([animal], torch.device("cpu")).take(torch.zeros(MOMENTS, dtype=torch.int64))
    moved = motion(3)
    there = moved.moved_animals(animal_batch)
    bone = animal_batch.kinds == Kind.BONE
    assert bone.any()
    assert torch.equal(there.centre[bone], animal_batch.centre[bone])
    torch.testing.assert_close(there.centre[~bone], moved.moved(animal_batch.centre)[~bone])
    assert (there.centre - animal_batch.centre)[~bone].norm(dim=-1).max() > 0.5
    assert torch.equal(there.shape, animal_batch.shape)
    assert torch.equal(there.kinds, animal_batch.kinds)


def test_noise_moves_with_the_tissue() -> None:
    noise = tissue(4)
    moved = motion(4)
    at_rest = 30 * torch.randn(MOMENTS, 8, 8, 3, generator=torch.Generator().manual_seed(2))
    there = moved.moved(at_rest.flatten(1, 2)).view_as(at_rest)
    moving = MovingNoise.moving(noise, moved, torch.tensor([[0.0, 1.0, 0.0]]).expand(MOMENTS, 3))
    for name, unmoved in (("read_scatterers", 0.3), ("read_slow", 0.98)):
        for before, after in zip(
            getattr(noise, name)(at_rest), getattr(moving, name)(moving.at_rest(there)), strict=True
        ):
            assert np.corrcoef(before.flatten(), after.flatten())[0, 1] > 0.999
        elsewhere = getattr(moving, name)(moving.at_rest(at_rest))[0]
        assert np.corrcoef(getattr(noise, name)(at_rest)[0].flatten(), elsewhere.flatten())[0, 1] < unmoved


def test_breath_is_slow_and_of_one_to_three_mm() -> None:
    reaches = []
    for seed in range(100):
        breath = draw_breath(np.random.default_rng(seed), 250)  # ten seconds
        assert breath.shape == (250, 3)
        # Back and forth along one line of the body.
        assert np.linalg.matrix_rank(breath, tol=1e-6) == 1
        reaches.append(float(np.linalg.norm(breath, axis=1).max()))
        assert np.linalg.norm(np.diff(breath, axis=0), axis=1).max() < 0.3
        assert np.linalg.norm(breath, axis=1).min() < 0.05
    assert 1 - 1e-3 < min(reaches) < 1.3
    assert 2.7 < max(reaches) < 3 + 1e-9


def test_every_animal_has_its_own_breath() -> None:
    one, same, other = (draw_breath(np.random.default_rng(seed), 100) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, same)
    assert not np.array_equal(one, other)
    first = [np.linalg.norm(draw_breath(np.random.default_rng(seed), 2)[0]) for seed in range(40)]
    assert min(first) < 0.05
    assert max(first) > 0.8


def test_without_breath_or_pressure_nothing_moves() -> None:
    plane = random_plane(6)
    still = TissueMotion.of(plane, torch.zeros(MOMENTS), torch.zeros(MOMENTS, 3))
    places = torch.randn(MOMENTS, 7, 3, generator=torch.Generator().manual_seed(3))
    assert torch.equal(still.moved(places), places)
