"""The loss: least for the right answer, blind to what is ignored, and with doubt kept apart from accuracy."""

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

ROLE_TARGET = [[20.0, 22.0, 14.0, 10.0, 20.0], [45.0, 40.0, 10.0, 9.0, -50.0]]
STAGES = [2, 1]
PARTS = LossSettings(l1_weight=4.0, overlap_weight=0.0, object_balance=0.0)
WHOLE = LossSettings(l1_weight=0.0, overlap_weight=6.0, object_balance=0.0)

IGNORED = [[15.0, 52.0, 9.0, 8.0, 0.0]]


@pytest.fixture
def targets() -> Targets:
    return make_targets(labels_of(ROLE_TARGET, stages=STAGES, ignored=IGNORED), SIDE)


def right_answer(targets: Targets) -> Tensor:
    """(1, 11, G, G) float64: sure of the middles and of nothing else, exact where cells answer, rightly sure of it."""
    answer = torch.zeros(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], dtype=torch.float64)
    answer[:, CHANNELS["centre"]] = torch.where(targets.heat_map == 1, CERTAIN_LOGIT, -CERTAIN_LOGIT)[:, None].double()
    answer[:, CHANNELS["stage"]] = CERTAIN_LOGIT * torch.nn.functional.one_hot(targets.stage, 3).movedim(-1, 1).double()
    answer[:, CHANNELS["offset"]] = targets.offset.double()
    answer[:, CHANNELS["shape"]] = targets.shape.double()
    answer[:, CHANNELS["uncertainty"]] = -6.0
    return answer


def total(answer: Tensor, targets: Targets, settings: LossSettings = PARTS) -> float:
    return float(loss(answer, targets, settings).total)


def test_the_right_answer_costs_next_to_nothing(targets: Targets) -> None:
    parts = loss(right_answer(targets), targets, PARTS)
    for name in ("centre", "stage", "offset", "shape", "overlap"):
        assert float(getattr(parts, name)) == pytest.approx(0.0, abs=1.1e-3), name


@pytest.mark.parametrize("name", ["stage", "offset", "shape"])
@pytest.mark.parametrize("amount", [-1.0, -0.05, 0.05, 1.0])
def test_any_change_where_cells_answer_costs_more(targets: Targets, name: str, amount: float) -> None:
    right = right_answer(targets)
    least = total(right, targets)
    for _, y, x in torch.nonzero(targets.positive):
        for channel in range(*CHANNELS[name].indices(CHANNEL_COUNT)):
            # A stage's logit may well be surer; only a change away from the truth is wrong.
            towards = 1 if name != "stage" or channel - CHANNELS["stage"].start != int(targets.stage[0, y, x]) else -1
            worse = right.clone()
            worse[0, channel, y, x] += towards * (abs(amount) if name == "stage" else amount)
            assert total(worse, targets) > least


def test_a_middle_missed_or_invented_costs_more(targets: Targets) -> None:
    right = right_answer(targets)
    least = total(right, targets)
    weighed = targets.heat_map_weight[0] > 0
    costs: dict[bool, list[float]] = {True: [], False: []}
    for y, x in torch.nonzero(weighed).tolist():
        middle = bool(targets.heat_map[0, y, x] == 1)
        worse = right.clone()
        worse[0, 0, y, x] += -CERTAIN_LOGIT if middle else CERTAIN_LOGIT
        costs[middle].append(total(worse, targets) - least)
    assert len(costs[True]) == 2  # both middles are in the case
    assert min(costs[True] + costs[False]) > 0


def test_an_egg_put_beside_its_place_costs_more_the_farther(targets: Targets) -> None:
    moved = []
    for step in (0.0, 2.0, 5.0, 9.0):
        rows = [[row[0] + step, *row[1:]] for row in ROLE_TARGET]
        moved.append(total(right_answer(make_targets(labels_of(rows, stages=STAGES), SIDE)), targets))
    assert moved == sorted(moved)
    assert moved[0] < moved[1]


def test_ignored_cells_and_cells_that_do_not_answer_contribute_nothing(targets: Targets) -> None:
    generator = torch.Generator().manual_seed(3)
    answer = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator, dtype=torch.float64)
    answer.requires_grad_()
    loss(answer, targets, PARTS).total.backward()
    assert answer.grad is not None
    touched = answer.grad[0] != 0
    ignored = targets.heat_map_weight[0] == 0
    assert ignored.sum() >= 8
    torch.testing.assert_close(touched[0], ~ignored)
    for channel in range(1, CHANNEL_COUNT):
        torch.testing.assert_close(touched[channel], targets.positive[0])
    # The same with whole numbers: anything at all may be said there.
    other = answer.detach().clone()
    other[:, 0][targets.heat_map_weight == 0] = 50.0
    other[:, 1:] = torch.where(targets.positive[:, None], other[:, 1:], 30.0)
    assert total(other, targets) == total(answer.detach(), targets)


def test_doubt_does_not_reach_the_outline(targets: Targets) -> None:
    generator = torch.Generator().manual_seed(4)
    answer = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator, dtype=torch.float64)
    answer.requires_grad_()
    loss(answer, targets, PARTS).uncertainty.backward()
    assert answer.grad is not None
    assert answer.grad[:, CHANNELS["uncertainty"]].abs().sum() > 0
    assert not answer.grad[:, : CHANNELS["uncertainty"].start].any()


def test_doubt_is_best_when_it_is_the_error_it_makes(targets: Targets) -> None:
    # d/ds (e exp(-s) + s) = 0 where exp(s) = e: the scale of a Laplace distribution is the mean absolute error.
    answer = right_answer(targets)
    answer[:, CHANNELS["offset"]] += torch.tensor([0.3, 0.5], dtype=torch.float64)[None, :, None, None]  # mean 0.4
    answer[:, CHANNELS["shape"]] += torch.tensor([0.02, 0.02, 0.0], dtype=torch.float64)[
        None, :, None, None
    ]  # both axes
    costs = {}
    for factor in (0.5, 0.9, 1.0, 1.1, 2.0):
        answer[:, CHANNELS["uncertainty"]] = torch.log(factor * torch.tensor([0.4, 0.02]).double())[None, :, None, None]
        costs[factor] = float(loss(answer, targets, PARTS).uncertainty)
    assert min(costs, key=lambda factor: costs[factor]) == 1.0


def test_centres_cost_what_the_paper_says(targets: Targets) -> None:
    # Law and Deng, CornerNet, ECCV 2018, equation 1 with alpha 2 and beta 4, cell by cell.
    answer = torch.randn(
        1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=torch.Generator().manual_seed(5)
    ).double()
    p = torch.sigmoid(answer[0, 0]).numpy()
    heat_map, weight = targets.heat_map[0].double().numpy(), targets.heat_map_weight[0].numpy()
    expected = 0.0
    for y, x in np.ndindex(*p.shape):
        if heat_map[y, x] == 1:
            expected -= (1 - p[y, x]) ** 2 * np.log(p[y, x])
        elif weight[y, x]:
            expected -= (1 - heat_map[y, x]) ** 4 * p[y, x] ** 2 * np.log(1 - p[y, x])
    assert float(loss(answer, targets, PARTS).centre) == pytest.approx(expected / len(ROLE_TARGET), rel=1e-6)


def test_a_picture_of_nothing_has_a_finite_loss_about_middles_alone() -> None:
    targets = make_targets(labels_of([], empty=2), SIDE)
    parts = loss(torch.zeros(1, CHANNEL_COUNT, SIDE // 4, SIDE // 4), targets, PARTS)
    assert float(parts.centre) > 0
    for name in ("stage", "offset", "shape", "overlap", "uncertainty"):
        assert float(getattr(parts, name)) == 0, name


def test_an_outline_as_a_whole_costs_the_more_the_less_it_overlaps(targets: Targets) -> None:
    costs = []
    for factor in (1.0, 1.03, 1.1, 1.5):
        rows = [[*row[:2], factor * row[2], factor * row[3], row[4]] for row in ROLE_TARGET]
        costs.append(total(right_answer(make_targets(labels_of(rows, stages=STAGES), SIDE)), targets, WHOLE))
    assert costs == sorted(costs)
    # With no weight on the parts, an error of 3 % in both axes costs six times 0.03 / sqrt(2).
    answer = right_answer(targets)
    answer[:, CHANNELS["shape"]] += torch.tensor([0.03, 0.03, 0.0], dtype=torch.float64)[None, :, None, None]
    assert float(loss(answer, targets, WHOLE).overlap) == pytest.approx(0.03 / np.sqrt(2), rel=0.01)
    assert float(loss(answer, targets, WHOLE).shape) == pytest.approx(0.02, rel=0.01)


def test_small_objects_weigh_as_much_as_large_ones_where_they_are_to() -> None:
    rows = [[18.0, 18.0, 16.0, 16.0, 0.0], [50.0, 50.0, 5.6, 5.6, 0.0]]
    two = make_targets(labels_of(rows, stages=[2, 0]), SIDE)
    small = two.positive & (two.stage == 0)
    cells = int(two.positive.sum()), int(small.sum())
    answer = right_answer(two)
    answer[:, CHANNELS["shape"]] += 0.1 * small[:, None]
    balanced = LossSettings(l1_weight=4.0, overlap_weight=0.0, object_balance=1.0)
    assert float(loss(answer, two, PARTS).shape) == pytest.approx(0.1 * cells[1] / cells[0], rel=1e-3)
    # Of two objects one is wrong; cells are counted by the area, which small objects cover unevenly.
    assert float(loss(answer, two, balanced).shape) == pytest.approx(0.1 / 2, rel=0.35)


def test_doubt_is_about_the_axes_whatever_their_direction() -> None:
    rows = [[30.0, 30.0, 20.0, 10.0, 30.0]]
    two = make_targets(labels_of(rows), SIDE)
    wrong = make_targets(labels_of([[30.0, 30.0, 22.0, 9.0, 30.0]]), SIDE)
    answer = right_answer(two)
    answer[:, CHANNELS["shape"]] = wrong.shape
    errors = (np.log(22 / 20) + np.log(10 / 9)) / 2
    costs = {}
    for factor in (0.8, 1.0, 1.25):
        answer[:, CHANNELS["uncertainty"]] = torch.tensor([-6.0, np.log(factor * errors)])[None, :, None, None]
        costs[factor] = float(loss(answer, two, PARTS).uncertainty)
    assert min(costs, key=lambda factor: costs[factor]) == 1.0


@pytest.mark.parametrize("scale", [0.0, 1.0, 10.0, 100.0, 1000.0])
def test_no_answer_however_wild_ends_a_run(targets: Targets, scale: float) -> None:
    generator = torch.Generator().manual_seed(3)
    settings = LossSettings(l1_weight=2.0, overlap_weight=4.0, object_balance=0.5)
    for _ in range(20):
        noise = torch.randn(1, CHANNEL_COUNT, *targets.heat_map.shape[1:], generator=generator)
        answer = (scale * noise).requires_grad_()
        parts = loss(answer, targets, settings)
        assert torch.isfinite(parts.total)
        (gradient,) = torch.autograd.grad(parts.total, answer)
        assert torch.isfinite(gradient).all()
