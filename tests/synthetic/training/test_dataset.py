from __future__ import annotations

from dataclasses import replace
from itertools import islice

import numpy as np
import pytest
import torch
from torch import Tensor

from models.targets import Labels, Role
from synthetic.acoustics.plane_sections import LABEL_RULE
from synthetic.anatomy.animal import Animal
from synthetic.training import dataset
from synthetic.training.dataset import PhantomPictures, StreamSettings, draw_animals

SIDE = 64
SETTINGS = StreamSettings(animals=6, batch=8, side_px=SIDE, processes=1)
CPU = torch.device("cpu")

Batch = tuple[Tensor, Labels]


def first_batches(number: int, seed: int) -> list[Batch]:
    return list(islice(PhantomPictures(SETTINGS, seed, CPU).batches(), number))


@pytest.fixture(scope="module")
def batches() -> list[Batch]:
    return first_batches(3, 1)


def is_same(one: Animal, other: Animal) -> bool:
    return one.species == other.species and np.array_equal(one.centres, other.centres)


def test_an_animal_depends_only_on_its_place() -> None:
    eight, three = draw_animals(8, 5), draw_animals(3, 5)
    assert all(map(is_same, three, eight))
    assert not is_same(eight[0], draw_animals(1, 6)[0])
    assert len({animal.species for animal in eight}) > 1


def test_animals_do_not_depend_on_the_number_of_processes() -> None:
    assert all(map(is_same, draw_animals(9, 5), draw_animals(9, 5, processes=2)))


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
        assert set(labels.role.unique().tolist()) <= set(Role)
        assert set(labels.stage.unique().tolist()) <= {0, 1, 2}
        assert (labels.ellipses[..., 2] >= labels.ellipses[..., 3]).all()
        assert (labels.ellipses[..., 3] > 0).all()


def test_targets_are_in_the_picture_and_are_large_enough(batches: list[Batch]) -> None:
    found = 0
    for _, labels in batches:
        targets = labels.ellipses[labels.role == Role.TARGET]
        found += len(targets)
        # If more than half of an outline lies in a square, so do two opposite points of it and hence its centre.
        assert (targets[:, :2] >= 0).all()
        assert (targets[:, :2] <= SIDE - 1).all()
        assert (targets[:, 3] >= LABEL_RULE.min_semi_minor * SIDE).all()
        assert (targets[:, 3] <= SIDE).all()
    assert found >= 10


def test_pictures_have_contrast(batches: list[Batch]) -> None:
    pictures = torch.cat([batch for batch, _ in batches])
    bright_share = (pictures > 0.02).float().mean((1, 2, 3))
    assert bright_share.median() > 0.2
    assert pictures.flatten(1).std(1).median() > 0.05
    assert not torch.equal(pictures[0], pictures[1])


def test_another_seed_gives_other_pictures_of_the_same_animals(monkeypatch: pytest.MonkeyPatch) -> None:
    animals = draw_animals(2, 1)
    monkeypatch.setattr(dataset, "draw_animals", lambda number, seed, **options: animals)
    assert not torch.equal(first_batches(1, 1)[0][0], first_batches(1, 2)[0][0])


def test_the_same_seed_gives_the_same_pictures(batches: list[Batch]) -> None:
    (pictures, labels), ((again, labels_again),) = batches[0], first_batches(1, 1)
    assert torch.equal(pictures, again)
    assert torch.equal(labels.ellipses, labels_again.ellipses)
    assert torch.equal(labels.role, labels_again.role)
    assert not torch.equal(batches[0][0], batches[1][0])


def test_a_batch_depends_only_on_its_number(batches: list[Batch]) -> None:
    source = PhantomPictures(SETTINGS, 1, CPU)
    for number in (2, 0):
        pictures, labels = source.batch(number)
        assert torch.equal(pictures, batches[number][0])
        assert torch.equal(labels.ellipses, batches[number][1].ellipses)
    pictures, _ = next(source.batches(first=1))
    assert torch.equal(pictures, batches[1][0])


def test_batches_rendered_at_once_equal_single_ones(batches: list[Batch]) -> None:
    together = PhantomPictures(replace(SETTINGS, batch=4, batches_per_render=2), 1, CPU)
    halves = [together.batch(number) for number in (0, 1)]
    assert torch.equal(torch.cat([pictures for pictures, _ in halves]), batches[0][0])
    assert torch.equal(torch.cat([labels.ellipses for _, labels in halves]), batches[0][1].ellipses)
    later = together.batch(3)  # independent of what came before
    assert torch.equal(later[0], batches[1][0][4:])
