from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from models.targets import Role
from synthetic.training.labelled_pictures import FrameLabels, LabelledPictures, LabelledStream, LabelsError, hold_back
from tests.synthetic.own_labels import SIDE, drawn, own_labels

CPU = torch.device("cpu")


def bright_object(picture: NDArray[np.float32]) -> NDArray[np.float64]:
    """Centre x, y and area of the bright object."""
    y, x = np.nonzero(picture > picture.max() / 2)
    return np.array([x.mean(), y.mean(), len(x)], dtype=np.float64)


def test_ellipses_are_transformed_with_their_picture() -> None:
    ellipse = np.array([[100.3, 140.7, 30.0, 18.0, 25.0]])
    one = LabelledPictures(
        drawn(ellipse)[None], (FrameLabels("AF-1", ellipse, np.array([2]), np.zeros(1, bool), 0.4),), ""
    )
    pictures, labels = LabelledStream(one, 24, 5, CPU).batch(0)
    centres = labels.ellipses[:, 0, :2].numpy()
    for picture, row, mm_per_px in zip(
        pictures[:, 0].numpy(), labels.ellipses[:, 0].numpy(), labels.mm_per_px, strict=True
    ):
        shown = bright_object(picture)
        np.testing.assert_allclose(shown[:2], row[:2], atol=0.6)
        assert shown[2] == pytest.approx(np.pi * row[2] * row[3], rel=0.08)
        np.testing.assert_allclose(bright_object(drawn(row[None].astype(np.float64)) / 255), shown, rtol=0.08)
        overlap = (drawn(row[None].astype(np.float64)) > 100) & (picture > picture.max() / 2)
        assert overlap.sum() > 0.93 * shown[2]
        assert row[2] * float(mm_per_px) == pytest.approx(30.0 * 0.4, rel=1e-4)
    # Both sides, many sizes and places; black stays black.
    assert {bool(angle > 0) for angle in labels.ellipses[:, 0, 4]} == {True, False}
    assert np.ptp(labels.ellipses[:, 0, 2].numpy()) > 4
    assert np.ptp(centres[:, 1]) > 8
    assert float(pictures[:, 0, 0, 0].max()) == 0.0
    assert len({round(float(picture.max()), 2) for picture in pictures}) > 8
    assert bool((labels.role[:, 0] == Role.TARGET).all())


def test_unreviewed_outlines_and_those_outside_are_ignored_and_rows_are_padded() -> None:
    rows = np.array([[300.0, 20.0, 60.0, 50.0, 0.0], [40.0, 40.0, 9.0, 8.0, 0.0], [90.0, 90.0, 9.0, 8.0, 0.0]])
    nothing = FrameLabels("AF-2", rows[:0], np.zeros(0, int), np.zeros(0, bool), float("nan"))
    eggs = (FrameLabels("AF-1", rows, np.array([1, 0, 2]), np.array([False, False, True]), 0.4), nothing)
    ((pictures, labels),) = LabelledPictures(np.zeros((2, SIDE, SIDE), np.uint8), eggs, "").batches(8, CPU)
    assert pictures.shape == (2, 1, SIDE, SIDE)
    assert labels.role.tolist() == [[Role.IGNORED, Role.TARGET, Role.IGNORED], [Role.EMPTY] * 3]
    assert labels.stage.tolist() == [[1, 0, 2], [0, 0, 0]]


def test_a_batch_depends_on_seed_and_number_and_animals_are_equally_frequent() -> None:
    labelled = own_labels(animals=2, frames=3)
    many = LabelledPictures(
        labelled.pictures[[0] * 30 + [3]], tuple(labelled.frame_labels[row] for row in [0] * 30 + [3]), ""
    )
    stream = LabelledStream(many, 40, 1, CPU)
    first, again = stream.batch(3), LabelledStream(many, 40, 1, CPU).batch(3)
    assert torch.equal(first[0], again[0])
    assert torch.equal(first[1].ellipses, again[1].ellipses)
    assert not torch.equal(first[0], stream.batch(4)[0])
    eggs = np.array([len(each.stage) for each in many.frame_labels])
    assert eggs[0] != eggs[-1]
    shown = (first[1].role != Role.EMPTY).sum(1).numpy()
    assert 12 < (shown == eggs[-1]).sum() < 28  # 1 of 31 frames, but of one of two animals


def test_whole_animals_are_held_back_and_both_parts_have_outlines() -> None:
    labelled = own_labels(animals=6, frames=2, empty=4)
    taught, held = hold_back(labelled, 0.5, np.random.default_rng(1))
    assert taught | held == set(labelled.animals)
    assert not taught & held
    frame_labels = {each.animal for each in labelled.frame_labels if len(each.stage)}
    assert (len(held & frame_labels), len(held - frame_labels)) == (3, 2)
    assert hold_back(labelled, 0.5, np.random.default_rng(1))[1] == held
    assert any(hold_back(labelled, 0.5, np.random.default_rng(seed))[1] != held for seed in range(2, 6))
    for share in (0.01, 0.99):
        taught, held = hold_back(own_labels(animals=2, frames=1), share, np.random.default_rng(1))
        assert (len(taught), len(held)) == (1, 1)
    unreviewed = tuple(replace(each, is_ignored=np.ones_like(each.is_ignored)) for each in labelled.frame_labels[2:])
    with pytest.raises(LabelsError, match=r"outlines of 1 animals"):
        hold_back(replace(labelled, frame_labels=labelled.frame_labels[:2] + unreviewed), 0.5, np.random.default_rng(1))
    with pytest.raises(LabelsError, match=r"outlines of 1 animals.*At least two"):
        hold_back(own_labels(animals=1, frames=3, empty=3), 0.5, np.random.default_rng(1))
