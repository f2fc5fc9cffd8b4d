"""Training targets of every cell, against their definition and by decoding the output of a perfect network."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.decode import Outlines, decode
from models.ellipse import contains, to_log_matrix
from models.output_channels import INPUT_SIDE_PX, STRIDE
from models.targets import Labels, make_targets
from tests.models.ellipse_strategies import Rows, assert_same_outlines, repeatably
from tests.models.network_outputs import NetworkOutput, labels_of, output_for, perfect_output

Mask = NDArray[np.bool_]

GRID = INPUT_SIDE_PX // STRIDE


def decoded(output: NetworkOutput) -> Outlines:
    return decode(output, minimum_score=0.3, maximum_overlap=0.5)


def cells_inside(row: Rows, share: float = 1.0) -> Mask:
    """(G, G) whether the middle of each cell, in px, lies in the ellipse shrunk to a share of its axes."""
    place = np.arange(GRID) * STRIDE + (STRIDE - 1) / 2
    x, y = np.meshgrid(place, place)
    shrunk = np.array([*row[:2], share * row[2], share * row[3], row[4]])
    inside: Mask = contains(shrunk, np.stack([x, y], axis=2).reshape(-1, 2))[0]
    return inside.reshape(GRID, GRID)


# Arrangements of eggs in pictures. An object is decoded from the nine cells around its centre. All of them predict it
# if they lie inside it and inside no other object, which a minor semi-axis of 8.5 px and no overlap ensure.
SCENES = {
    "one": [[120.3, 99.8, 34.0, 22.0, 31.0]],
    "round": [[128.0, 128.0, 25.0, 25.0, 0.0]],
    "touching side by side": [[100.0, 100.0, 30.0, 20.0, 90.0], [140.0, 100.0, 30.0, 20.0, 90.0]],
    "touching end to end": [[80.0, 120.0, 30.0, 20.0, 0.0], [140.0, 120.0, 30.0, 20.0, 0.0]],
    "small and touching": [[100.0, 100.0, 9.0, 9.0, 0.0], [118.0, 100.0, 9.0, 9.0, 0.0], [109.0, 115.5, 9.0, 9.0, 0.0]],
    "overlapping": [[100.0, 100.0, 30.0, 22.0, 10.0], [125.0, 108.0, 28.0, 20.0, -40.0]],
    "tiny": [[60.0, 60.0, 1.5, 1.0, 20.0], [200.4, 31.7, 2.0, 0.5, -70.0]],
    "huge": [[128.0, 140.0, 700.0, 300.0, 12.0]],
    "at the border": [[0.0, 90.0, 30.0, 20.0, 0.0], [255.0, 200.0, 30.0, 20.0, 45.0], [120.0, 2.0, 26.0, 19.0, 80.0]],
    "in the corners": [[1.0, 1.0, 30.0, 20.0, 45.0], [254.0, 254.0, 30.0, 20.0, -45.0]],
    "a full clutch": [[40.0 + 44 * i, 50.0 + 50 * j, 22.0, 19.0, 25.0 * i] for i in range(5) for j in range(4)],
}

# Here some of the nine cells predict a neighbour, and the outline moves a little towards it.
CROWDED = {
    "tiny and touching": [[100.0, 100.0, 6.0, 6.0, 0.0], [112.0, 100.0, 6.0, 6.0, 0.0], [106.0, 110.4, 6.0, 6.0, 0.0]],
    "a small one over a large one": [[100.0, 100.0, 60.0, 50.0, 10.0], [150.0, 100.0, 12.0, 9.0, 60.0]],
}


@pytest.mark.parametrize("name", SCENES)
def test_perfect_output_decodes_to_the_labels(name: str) -> None:
    rows = np.array(SCENES[name])
    found = decoded(perfect_output(SCENES[name]))
    assert_same_outlines(found.ellipses, rows, tolerance=0.1)


@pytest.mark.parametrize("name", CROWDED)
def test_crowded_objects_are_separated_to_two_pixels(name: str) -> None:
    rows = np.array(CROWDED[name])
    found = decoded(perfect_output(CROWDED[name]))
    assert_same_outlines(found.ellipses, rows, tolerance=2.0)


@settings(repeatably, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9))
def test_random_separate_objects_are_decoded_again(seed: int, count: int) -> None:
    # Each lies in a square of its own, 80 px wide, at any place and of any size that fits and is not crowded.
    rng = np.random.default_rng(seed)
    squares = rng.permutation(9)[:count]
    rows, stages = [], rng.integers(0, 3, count)
    for square in squares:
        major = rng.uniform(9, 38)
        slack = 40 - major
        centre = 48 + 80 * np.array([square % 3, square // 3]) + rng.uniform(-slack, slack, 2)
        rows.append([*centre, major, max(8.5, major * rng.uniform(0.4, 1)), rng.uniform(-90, 90)])
    found = decoded(perfect_output(rows, stages=stages.tolist()))
    assert_same_outlines(found.ellipses, np.array(rows), tolerance=0.1)
    nearest = np.hypot(*(found.ellipses[:, None, :2] - np.array(rows)[:, :2]).transpose(2, 0, 1)).argmin(axis=1)
    np.testing.assert_array_equal(found.stage_probabilities.argmax(axis=1), stages[nearest])


def test_ignored_objects_are_no_targets_and_do_not_disturb_others() -> None:
    rows = [[90.0, 100.0, 30.0, 20.0, 10.0]]
    beside = [[170.0, 100.0, 25.0, 25.0, 0.0], [100.0, 105.0, 45.0, 40.0, 0.0]]  # one beside, one over it
    found = decoded(perfect_output(rows, ignored=beside))
    assert_same_outlines(found.ellipses, np.array(rows), tolerance=0.1)


def test_ignored_objects_have_no_weight_except_under_a_target() -> None:
    target, ignored = np.array([90.0, 100.0, 30.0, 20.0, 10.0]), np.array([115.0, 110.0, 28.0, 24.0, 0.0])
    targets = make_targets(labels_of([target.tolist()], ignored=[ignored.tolist()]), INPUT_SIDE_PX)
    expected = cells_inside(ignored) & ~cells_inside(target)
    assert 0 < expected.sum() < cells_inside(ignored).sum()
    np.testing.assert_array_equal(targets.heat_map_weight[0].numpy() == 0, expected)
    assert set(targets.heat_map_weight.unique().tolist()) == {0.0, 1.0}
    without = make_targets(labels_of([target.tolist()]), INPUT_SIDE_PX)
    for name in ("heat_map", "positive", "stage", "offset", "shape", "size"):
        assert torch.equal(getattr(targets, name), getattr(without, name)), name


def test_an_empty_picture_has_no_targets() -> None:
    targets = make_targets(labels_of([], empty=3), INPUT_SIDE_PX)
    assert targets.heat_map.shape == (1, GRID, GRID)
    assert not targets.heat_map.any()
    assert not targets.positive.any()
    assert (targets.heat_map_weight == 1).all()
    assert not len(decoded(output_for(targets)).scores)


def test_the_heat_map_is_1_only_at_centres() -> None:
    rows = [[61.6, 90.0, 30.0, 20.0, 10.0], [200.0, 120.2, 3.0, 2.0, 0.0]]
    heat_map = make_targets(labels_of(rows), INPUT_SIDE_PX).heat_map[0]
    # Cell i holds pixels 4i to 4i + 3: pixel 61.6 lies in cell 15, 90 in 22, 200 in 50 and 120.2 in 30.
    assert torch.nonzero(heat_map == 1).tolist() == [[22, 15], [30, 50]]
    assert float(heat_map.min()) >= 0


def test_a_huge_object_has_a_single_centre() -> None:
    # Its bump is so wide that the cells beside the centre would exceed 0.99.
    heat_map = make_targets(labels_of([[129.5, 129.5, 400.0, 300.0, 0.0]]), INPUT_SIDE_PX).heat_map[0]
    assert torch.nonzero(heat_map == 1).tolist() == [[32, 32]]
    assert float(heat_map[32, 33]) == pytest.approx(0.99)
    assert float(heat_map[heat_map < 1].max()) == pytest.approx(0.99)


def test_an_object_centred_outside_has_no_centre_cell() -> None:
    heat_map = make_targets(labels_of([[-9.0, 90.0, 30.0, 20.0, 0.0]]), INPUT_SIDE_PX).heat_map
    assert float(heat_map.max()) < 1


def test_cells_in_the_inner_part_are_positive_and_predict_their_object() -> None:
    row = np.array([101.0, 97.0, 40.0, 26.0, -25.0])
    targets = make_targets(labels_of([row.tolist()], stages=[1]), INPUT_SIDE_PX)
    positive = targets.positive[0].numpy()
    np.testing.assert_array_equal(positive, cells_inside(row, share=0.45))
    cells = (row - [1.5, 1.5, 0, 0, 0]) / [4, 4, 4, 4, 1]
    for y, x in np.argwhere(positive):
        np.testing.assert_allclose(targets.offset[0, :, y, x].numpy(), cells[:2] - [x, y], atol=1e-4)
        np.testing.assert_allclose(targets.shape[0, :, y, x].numpy(), to_log_matrix(cells)[0], atol=1e-5)
        assert targets.stage[0, y, x] == 1
        assert float(targets.size[0, y, x]) == pytest.approx(np.sqrt(cells[2] * cells[3]), rel=1e-5)


def test_where_two_overlap_a_cell_predicts_the_one_it_lies_deeper_in() -> None:
    rows = np.array([[100.0, 100.0, 40.0, 30.0, 0.0], [124.0, 100.0, 40.0, 30.0, 0.0]])
    targets = make_targets(labels_of(rows.tolist(), stages=[0, 2]), INPUT_SIDE_PX)
    stage, positive = targets.stage[0].numpy(), targets.positive[0].numpy()
    place = np.arange(GRID) * STRIDE + 1.5
    nearer_first = np.broadcast_to(place < 112, (GRID, GRID))
    np.testing.assert_array_equal(stage[positive & nearer_first], 0)
    np.testing.assert_array_equal(stage[positive & ~nearer_first], 2)


def test_a_centre_cell_predicts_its_own_object_even_a_tiny_one() -> None:
    # The centre of the tiny one is 2 px from the middle of its cell, which lies outside it and deep in the large one.
    rows = [[100.0, 100.0, 60.0, 50.0, 0.0], [107.5, 101.5, 1.5, 1.0, 0.0]]
    targets = make_targets(labels_of(rows, stages=[2, 0]), INPUT_SIDE_PX)
    assert targets.heat_map[0, 25, 26] == 1
    assert targets.stage[0, 25, 26] == 0
    assert targets.positive[0, 25, 26]
    assert targets.stage[0, 25, 28] == 2


def test_pictures_of_a_batch_do_not_influence_each_other() -> None:
    first, second = (
        labels_of([[80.0, 80.0, 30.0, 20.0, 0.0]]),
        labels_of([[160.0, 150.0, 22.0, 20.0, 40.0]], stages=[0]),
    )
    both = Labels(
        *(torch.cat([one, other]) for one, other in zip(vars(first).values(), vars(second).values(), strict=True))
    )
    together = make_targets(both, INPUT_SIDE_PX)
    for index, one in enumerate((first, second)):
        alone = make_targets(one, INPUT_SIDE_PX)
        for name, values in vars(alone).items():
            assert torch.equal(getattr(together, name)[index], values[0]), name
