from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import islice
from typing import Any

import numpy as np
import pytest
import torch
from torch import Tensor

from models.targets import Labels
from synthetic.acoustics.beam_rendering import Beams, Plane, Slice, render_beams
from synthetic.acoustics.plane_sections import LABEL_RULE
from synthetic.acoustics.tissue import SweepNoise, TissueNoise
from synthetic.anatomy.animal import Animal, StageCounts
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.training import dataset
from synthetic.training.dataset import PhantomPictures, StreamSettings, draw_animals, draw_stage_counts, scale_channel

SIDE = 64
SETTINGS = StreamSettings(animals=6, batch=8, side_px=SIDE, processes=1)
CPU = torch.device("cpu")

Batch = tuple[Tensor, Labels]


def first(number: int, seed: int) -> list[Batch]:
    return list(islice(PhantomPictures(SETTINGS, seed, CPU).batches(), number))


@pytest.fixture(scope="module")
def batches() -> list[Batch]:
    return first(3, 1)


def same(one: Animal, other: Animal) -> bool:
    return one.species == other.species and np.array_equal(one.centres, other.centres)


@pytest.mark.parametrize("profile", PHANTOM_SPECIES)
def test_orders_are_clutches_of_the_species(profile: str) -> None:
    rng = np.random.default_rng(1)
    low, high = load_species_ranges(profile).clutch
    orders = [draw_stage_counts(rng, load_species_ranges(profile)) for _ in range(600)]
    for order in orders:
        shelled = [number for number in (order.calcified, order.thin_shelled) if number]
        # Shells of one age: never both, and always a whole clutch.
        assert len(shelled) <= 1
        assert all(low <= number <= high for number in shelled)
        assert order.follicles == 0 or 3 <= order.follicles <= 30
    shares = Counter(
        "nothing" if order == StageCounts() else "shells" if order.calcified or order.thin_shelled else "follicles"
        for order in orders
    )
    assert shares["shells"] / 600 == pytest.approx(0.71, abs=0.06)
    assert shares["nothing"] / 600 == pytest.approx(0.09, abs=0.04)


def test_an_animal_depends_on_its_own_place_alone() -> None:
    eight, three = draw_animals(8, 5), draw_animals(3, 5)
    assert all(map(same, three, eight))
    assert not same(eight[0], draw_animals(1, 6)[0])
    assert len({animal.species for animal in eight}) > 1


def test_animals_do_not_depend_on_the_processes() -> None:
    assert all(map(same, draw_animals(9, 5), draw_animals(9, 5, processes=2)))


def test_pictures_are_grey_and_labels_are_within_bounds(batches: list[Batch]) -> None:
    for pictures, labels in batches:
        assert pictures.shape == (8, 1, SIDE, SIDE)
        assert pictures.dtype == torch.float32
        assert pictures.min() >= 0
        assert pictures.max() <= 1
        assert not pictures.requires_grad
        batch, number = labels.role.shape
        assert batch == 8
        assert labels.ellipses.shape == (8, number, 5)
        assert labels.stage.shape == (8, number)
        assert torch.isfinite(labels.ellipses).all()
        assert set(labels.role.unique().tolist()) <= {-1, 0, 1}
        assert set(labels.stage.unique().tolist()) <= {0, 1, 2}
        assert (labels.ellipses[..., 2] >= labels.ellipses[..., 3]).all()
        assert (labels.ellipses[..., 3] > 0).all()


def test_what_is_to_be_found_lies_in_the_picture_and_is_large_enough(batches: list[Batch]) -> None:
    found = 0
    for _, labels in batches:
        wanted = labels.ellipses[labels.role == 1]
        found += len(wanted)
        # More than half of an outline within a square holds two opposite points of it, and so its middle.
        assert (wanted[:, :2] >= 0).all()
        assert (wanted[:, :2] <= SIDE - 1).all()
        shelled = labels.stage[labels.role == 1] > 0
        least = torch.where(shelled, LABEL_RULE.min_shell_semi_minor, LABEL_RULE.min_follicle_semi_minor)
        assert (wanted[:, 3] >= least * SIDE).all()
        assert (wanted[:, 3] <= SIDE).all()
    assert found >= 10


def test_pictures_show_something(batches: list[Batch]) -> None:
    pictures = torch.cat([batch for batch, _ in batches])
    lit = (pictures > 0.02).float().mean((1, 2, 3))
    assert lit.median() > 0.2
    assert pictures.flatten(1).std(1).median() > 0.05
    assert not torch.equal(pictures[0], pictures[1])


def test_of_the_same_animals_another_seed_makes_other_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    animals = draw_animals(2, 1)
    monkeypatch.setattr(dataset, "draw_animals", lambda number, seed, processes: animals)
    assert not torch.equal(first(1, 1)[0][0], first(1, 2)[0][0])


def test_pictures_repeat_with_the_seed(batches: list[Batch]) -> None:
    (pictures, labels), ((again, labels_again),) = batches[0], first(1, 1)
    assert torch.equal(pictures, again)
    assert torch.equal(labels.ellipses, labels_again.ellipses)
    assert torch.equal(labels.role, labels_again.role)
    assert not torch.equal(batches[0][0], batches[1][0])


def test_neighbouring_frames_show_one_animal_with_the_middle_one_labelled(batches: list[Batch]) -> None:
    pictures, labels = PhantomPictures(replace(SETTINGS, frames=3), 1, CPU).batch(0)
    assert pictures.shape == (8, 3, SIDE, SIDE)
    assert labels.role.shape[0] == labels.mm_per_px.shape[0] == 8
    flat = pictures.flatten(2) - pictures.flatten(2).mean(2, keepdim=True)
    flat = flat / flat.norm(dim=2, keepdim=True)
    alike = torch.einsum("aip,bjp->abij", flat, flat)
    neighbours = torch.stack([alike[row, row, 1, frame] for row in range(8) for frame in (0, 2)])
    assert neighbours.max() < 0.9999  # noise is drawn afresh even where the hand rests
    strangers = alike[:, :, 1, 1][~torch.eye(8, dtype=torch.bool)]
    assert neighbours.median() > strangers.median() + 0.2
    # The scene is drawn before the frames around it are: the labels are those of the single picture.
    single = batches[0][1]
    torch.testing.assert_close(labels.mm_per_px, single.mm_per_px)
    wanted, alone = (one.ellipses[one.role == 1] for one in (labels, single))
    torch.testing.assert_close(wanted, alone, rtol=1e-3, atol=1e-2)


def test_the_frames_of_a_sweep_read_their_tissue_along_one_direction(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[TissueNoise] = []

    def watched(slice_: Slice, plane: Plane, *arguments: Any, **options: Any) -> Beams:
        seen.append(arguments[2])
        return render_beams(slice_, plane, *arguments, **options)

    monkeypatch.setattr(dataset, "render_beams", watched)
    PhantomPictures(replace(SETTINGS, frames=3), 1, CPU).batch(0)
    (noise,) = seen
    assert isinstance(noise, SweepNoise)
    sweeps = noise.across.unflatten(0, (-1, 3))
    assert torch.equal(sweeps[:, 0], sweeps[:, 1])
    assert torch.equal(sweeps[:, 2], sweeps[:, 1])
    assert not torch.equal(sweeps[0], sweeps[1])


def test_a_told_scale_is_a_channel_that_now_and_then_says_nothing() -> None:
    pictures, labels = PhantomPictures(replace(SETTINGS, has_scale_channel=True), 1, CPU).batch(0)
    assert pictures.shape == (8, 2, SIDE, SIDE)
    told = pictures[:, 1].flatten(1)
    assert (told == told[:, :1]).all()
    assert ((told[:, 0] == 0) | torch.isclose(told[:, 0], labels.mm_per_px.log())).all()
    scale = torch.linspace(0.1, 0.8, 500)
    plane = scale_channel(scale, 2, torch.Generator().manual_seed(1))[:, 0, 0, 0]
    assert 0.15 < float((plane == 0).float().mean()) < 0.25


def test_a_batch_depends_on_its_own_number_alone(batches: list[Batch]) -> None:
    source = PhantomPictures(SETTINGS, 1, CPU)
    for number in (2, 0):
        pictures, labels = source.batch(number)
        assert torch.equal(pictures, batches[number][0])
        assert torch.equal(labels.ellipses, batches[number][1].ellipses)
    pictures, _ = next(source.batches(first=1))
    assert torch.equal(pictures, batches[1][0])


def test_batches_rendered_at_once_come_one_by_one(batches: list[Batch]) -> None:
    together = PhantomPictures(replace(SETTINGS, batch=4, batches_per_render=2), 1, CPU)
    halves = [together.batch(number) for number in (0, 1)]
    assert torch.equal(torch.cat([pictures for pictures, _ in halves]), batches[0][0])
    assert torch.equal(torch.cat([labels.ellipses for _, labels in halves]), batches[0][1].ellipses)
    later = together.batch(3)  # whatever came before
    assert torch.equal(later[0], batches[1][0][4:])
