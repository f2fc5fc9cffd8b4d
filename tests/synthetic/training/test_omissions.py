"""Pictures without a part of the physics show the same animals, and differ in that part alone."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
import torch

from models.targets import Labels, Role
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.omissions import PhysicsPart

CPU = torch.device("cpu")
SETTINGS = StreamSettings(animals=4, batch=6, side_px=96, processes=1)


@pytest.fixture(scope="module")
def with_all() -> PhantomPictures:
    return PhantomPictures(SETTINGS, 5, CPU)


def outlines(labels: Labels) -> list[list[list[float]]]:
    """Stage and outline of each object in each picture, in any order of places."""
    return [
        sorted(
            [float(stage), *ellipse]
            for stage, ellipse in zip(stages[there].tolist(), ellipses[there].tolist(), strict=True)
        )
        for stages, ellipses, there in zip(labels.stage, labels.ellipses, labels.role != Role.EMPTY, strict=True)
    ]


@pytest.mark.parametrize("part", get_args(PhysicsPart))
def test_each_part_changes_the_pictures_and_moves_no_object(with_all: PhantomPictures, part: PhysicsPart) -> None:
    pictures, labels = with_all.batch(0)
    without, other_labels = PhantomPictures(replace(SETTINGS, left_out=(part,)), 5, CPU).batch(0)
    assert (pictures - without).abs().mean() > 1e-3
    assert outlines(labels) == outlines(other_labels)
    assert any(outlines(labels))


def test_without_shadow_every_outline_can_be_seen(with_all: PhantomPictures) -> None:
    _, labels = with_all.batch(0)
    _, without = PhantomPictures(replace(SETTINGS, left_out=("shadow",)), 5, CPU).batch(0)
    is_object = labels.role != Role.EMPTY
    assert labels.visible[is_object].min() < 0.7
    assert without.visible[is_object].mean() > labels.visible[is_object].mean() + 0.05


def test_the_middle_of_three_frames_is_the_one_frame(with_all: PhantomPictures) -> None:
    pictures, labels = with_all.batch(0)
    three, labels_of_three = PhantomPictures(replace(SETTINGS, frames=3), 5, CPU).batch(0)
    assert three.shape == (6, 3, 96, 96)
    assert torch.equal(three[:, 1:2], pictures)
    assert torch.equal(labels_of_three.ellipses, labels.ellipses)
    # The frames beside it are like it, and more so than another picture is.
    beside = (three[:, 0] - three[:, 1]).abs().mean()
    assert 0 < beside < 0.7 * (three[:, 1] - three[:, 1].roll(1, 0)).abs().mean()
