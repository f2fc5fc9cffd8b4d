"""The loss: lowest for the right output, independent of ignored objects, with uncertainty separate from accuracy."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor

from models.losses import LossSettings, loss
from models.output_channels import CHANNEL_COUNT, CHANNELS
from models.targets import Targets, make_targets
from tests.models.network_outputs import CERTAIN_LOGIT, labels_of

SIDE = 64

OBJECTS = [[20.0, 22.0, 14.0, 10.0, 20.0], [45.0, 40.0, 10.0, 9.0, -50.0]]
STAGES = [2, 1]
L1_ONLY = LossSettings(l1_weight=4.0, overlap_weight=0.0, object_balance=0.0)
OVERLAP_ONLY = LossSettings(l1_weight=0.0, overlap_weight=6.0, object_balance=0.0)

IGNORED = [[15.0, 52.0, 9.0, 8.0, 0.0]]


@pytest.fixture
def targets() -> Targets:
    return make_targets(labels_of(OBJECTS, stages=STAGES, ignored=IGNORED), SIDE)


def right_output(targets: Targets) -> Tensor:
    """(1, 11, G, G) float64: certain of the centres alone, exact in positive cells, with low uncertainty."""
    output = torch.zeros(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], dtype=torch.float64)
    output[:, CHANNELS["centre"]] = torch.where(targets.heat_map == 1, CERTAIN_LOGIT, -CERTAIN_LOGIT)[:, None].double()
    output[:, CHANNELS["stage"]] = CERTAIN_LOGIT * torch.nn.functional.one_hot(targets.stage, 3).movedim(-1, 1).double()
    output[:, CHANNELS["offset"]] = targets.offset.double()
    output[:, CHANNELS["shape"]] = targets.shape.double()
    output[:, CHANNELS["uncertainty"]] = -6.0
    return output


def total(output: Tensor, targets: Targets, settings: LossSettings = L1_ONLY) -> float:
    return float(loss(output, targets, settings).total)


def test_the_right_output_has_almost_no_loss(targets: Targets) -> None:
    parts = loss(right_output(targets), targets, L1_ONLY)
    for name in ("centre", "stage", "offset", "shape", "overlap"):
        assert float(getattr(parts, name)) == pytest.approx(0.0, abs=1.1e-3), name


@pytest.mark.parametrize("name", ["stage", "offset", "shape"])
@pytest.mark.parametrize("amount", [-1.0, -0.05, 0.05, 1.0])
def test_any_change_in_a_positive_cell_increases_the_loss(targets: Targets, name: str, amount: float) -> None:
    right = right_output(targets)
    least = total(right, targets)
    for _, y, x in torch.nonzero(targets.positive):
        for channel in range(*CHANNELS[name].indices(CHANNEL_COUNT)):
            # A stage logit may become more certain; only a change away from the truth is wrong.
            towards = 1 if name != "stage" or channel - CHANNELS["stage"].start != int(targets.stage[0, y, x]) else -1
            worse = right.clone()
            worse[0, channel, y, x] += towards * (abs(amount) if name == "stage" else amount)
            assert total(worse, targets) > least


def test_a_missed_centre_and_a_false_one_increase_the_loss(targets: Targets) -> None:
    right = right_output(targets)
    least = total(right, targets)
    has_weight = targets.heat_map_weight[0] > 0
    costs: dict[bool, list[float]] = {True: [], False: []}
    for y, x in torch.nonzero(has_weight).tolist():
        is_centre = bool(targets.heat_map[0, y, x] == 1)
        worse = right.clone()
        worse[0, 0, y, x] += -CERTAIN_LOGIT if is_centre else CERTAIN_LOGIT
        costs[is_centre].append(total(worse, targets) - least)
    assert len(costs[True]) == 2  # both centres are covered
    assert min(costs[True] + costs[False]) > 0


def test_the_loss_grows_with_the_distance_from_the_true_place(targets: Targets) -> None:
    moved = []
    for step in (0.0, 2.0, 5.0, 9.0):
        rows = [[row[0] + step, *row[1:]] for row in OBJECTS]
        moved.append(total(right_output(make_targets(labels_of(rows, stages=STAGES), SIDE)), targets))
    assert moved == sorted(moved)
    assert moved[0] < moved[1]


def test_ignored_cells_and_cells_without_an_object_contribute_nothing(targets: Targets) -> None:
    generator = torch.Generator().manual_seed(3)
    output = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator, dtype=torch.float64)
    output.requires_grad_()
    loss(output, targets, L1_ONLY).total.backward()
    assert output.grad is not None
    has_gradient = output.grad[0] != 0
    ignored = targets.heat_map_weight[0] == 0
    assert ignored.sum() >= 8
    torch.testing.assert_close(has_gradient[0], ~ignored)
    for channel in range(1, CHANNEL_COUNT):
        torch.testing.assert_close(has_gradient[channel], targets.positive[0])
    # The same with values: any output is allowed there.
    other = output.detach().clone()
    other[:, 0][targets.heat_map_weight == 0] = 50.0
    other[:, 1:] = torch.where(targets.positive[:, None], other[:, 1:], 30.0)
    assert total(other, targets) == total(output.detach(), targets)


def test_uncertainty_has_no_gradient_in_the_outline(targets: Targets) -> None:
    generator = torch.Generator().manual_seed(4)
    output = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator, dtype=torch.float64)
    output.requires_grad_()
    loss(output, targets, L1_ONLY).uncertainty.backward()
    assert output.grad is not None
    assert output.grad[:, CHANNELS["uncertainty"]].abs().sum() > 0
    assert not output.grad[:, : CHANNELS["uncertainty"].start].any()


def test_the_best_uncertainty_is_the_mean_error(targets: Targets) -> None:
    # d/ds (e exp(-s) + s) = 0 where exp(s) = e: the scale of a Laplace distribution is the mean absolute error.
    output = right_output(targets)
    output[:, CHANNELS["offset"]] += torch.tensor([0.3, 0.5], dtype=torch.float64)[None, :, None, None]  # mean 0.4
    output[:, CHANNELS["shape"]] += torch.tensor([0.02, 0.02, 0.0], dtype=torch.float64)[
        None, :, None, None
    ]  # both axes
    costs = {}
    for factor in (0.5, 0.9, 1.0, 1.1, 2.0):
        output[:, CHANNELS["uncertainty"]] = torch.log(factor * torch.tensor([0.4, 0.02]).double())[None, :, None, None]
        costs[factor] = float(loss(output, targets, L1_ONLY).uncertainty)
    assert min(costs, key=lambda factor: costs[factor]) == 1.0


def test_the_centre_loss_is_that_of_the_paper(targets: Targets) -> None:
    # Law and Deng, CornerNet, ECCV 2018, equation 1 with alpha 2 and beta 4, cell by cell.
    output = torch.randn(
        1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=torch.Generator().manual_seed(5)
    ).double()
    p = torch.sigmoid(output[0, 0]).numpy()
    heat_map, weight = targets.heat_map[0].double().numpy(), targets.heat_map_weight[0].numpy()
    expected = 0.0
    for y, x in np.ndindex(*p.shape):
        if heat_map[y, x] == 1:
            expected -= (1 - p[y, x]) ** 2 * np.log(p[y, x])
        elif weight[y, x]:
            expected -= (1 - heat_map[y, x]) ** 4 * p[y, x] ** 2 * np.log(1 - p[y, x])
    assert float(loss(output, targets, L1_ONLY).centre) == pytest.approx(expected / len(OBJECTS), rel=1e-6)


def test_an_empty_picture_has_a_finite_loss_of_centres_alone() -> None:
    targets = make_targets(labels_of([], empty=2), SIDE)
    parts = loss(torch.zeros(1, CHANNEL_COUNT, SIDE // 4, SIDE // 4), targets, L1_ONLY)
    assert float(parts.centre) > 0
    for name in ("stage", "offset", "shape", "overlap", "uncertainty"):
        assert float(getattr(parts, name)) == 0, name


def test_the_overlap_loss_grows_as_the_overlap_falls(targets: Targets) -> None:
    costs = []
    for factor in (1.0, 1.03, 1.1, 1.5):
        rows = [[*row[:2], factor * row[2], factor * row[3], row[4]] for row in OBJECTS]
        costs.append(total(right_output(make_targets(labels_of(rows, stages=STAGES), SIDE)), targets, OVERLAP_ONLY))
    assert costs == sorted(costs)
    # An error of 3 % in both axes is a distance of 0.03 / sqrt(2).
    output = right_output(targets)
    output[:, CHANNELS["shape"]] += torch.tensor([0.03, 0.03, 0.0], dtype=torch.float64)[None, :, None, None]
    assert float(loss(output, targets, OVERLAP_ONLY).overlap) == pytest.approx(0.03 / np.sqrt(2), rel=0.01)
    assert float(loss(output, targets, OVERLAP_ONLY).shape) == pytest.approx(0.02, rel=0.01)


def test_with_full_balance_small_objects_weigh_as_much_as_large_ones() -> None:
    rows = [[18.0, 18.0, 16.0, 16.0, 0.0], [50.0, 50.0, 5.6, 5.6, 0.0]]
    two = make_targets(labels_of(rows, stages=[2, 0]), SIDE)
    small = two.positive & (two.stage == 0)
    cells = int(two.positive.sum()), int(small.sum())
    output = right_output(two)
    output[:, CHANNELS["shape"]] += 0.1 * small[:, None]
    balanced = LossSettings(l1_weight=4.0, overlap_weight=0.0, object_balance=1.0)
    assert float(loss(output, two, L1_ONLY).shape) == pytest.approx(0.1 * cells[1] / cells[0], rel=1e-3)
    # One of two objects is wrong. The weights follow the area, which the cells of a small object match only roughly.
    assert float(loss(output, two, balanced).shape) == pytest.approx(0.1 / 2, rel=0.35)


def test_uncertainty_refers_to_the_axes_in_any_direction() -> None:
    rows = [[30.0, 30.0, 20.0, 10.0, 30.0]]
    targets = make_targets(labels_of(rows), SIDE)
    wrong = make_targets(labels_of([[30.0, 30.0, 22.0, 9.0, 30.0]]), SIDE)
    output = right_output(targets)
    output[:, CHANNELS["shape"]] = wrong.shape
    errors = (np.log(22 / 20) + np.log(10 / 9)) / 2
    costs = {}
    for factor in (0.8, 1.0, 1.25):
        output[:, CHANNELS["uncertainty"]] = torch.tensor([-6.0, np.log(factor * errors)])[None, :, None, None]
        costs[factor] = float(loss(output, targets, L1_ONLY).uncertainty)
    assert min(costs, key=lambda factor: costs[factor]) == 1.0


@pytest.mark.parametrize("scale", [0.0, 1.0, 10.0, 100.0, 1000.0])
def test_extreme_output_has_a_finite_loss(targets: Targets, scale: float) -> None:
    generator = torch.Generator().manual_seed(3)
    settings = LossSettings(l1_weight=2.0, overlap_weight=4.0, object_balance=0.5)
    for _ in range(20):
        noise = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator)
        output = (scale * noise).requires_grad_()
        parts = loss(output, targets, settings)
        assert torch.isfinite(parts.total)
        (gradient,) = torch.autograd.grad(parts.total, output)
        assert torch.isfinite(gradient).all()
