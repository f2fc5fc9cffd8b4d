"""The distance of a network's answers to those of a teacher."""

from __future__ import annotations

import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from torch import Tensor

from models.imitation import imitation_loss
from models.losses import LossSettings, loss
from models.output_channels import CHANNEL_COUNT, CHANNELS
from models.targets import make_targets
from tests.models.rings import ring_batches

_GRID = 6


def answers(seed: int) -> Tensor:
    """(2, 11, 6, 6): sure of one centre in each picture, unsure elsewhere."""
    output = torch.randn(2, CHANNEL_COUNT, _GRID, _GRID, generator=torch.Generator().manual_seed(seed))
    output[:, 0] -= 5
    output[:, 0, 2, 3] = 4
    return output


@given(st.integers(0, 1000))
def test_equal_answers_cost_nothing_and_others_something(seed: int) -> None:
    teacher = answers(seed)
    assert imitation_loss(teacher.clone(), teacher) == pytest.approx(0, abs=1e-6)
    assert imitation_loss(answers(seed + 1), teacher) > 0


@pytest.mark.parametrize("channel", ["centre", "stage", "offset", "shape"])
def test_a_step_against_the_gradient_comes_closer(channel: str) -> None:
    teacher, output = answers(1), answers(1)
    output[:, CHANNELS[channel]] += torch.randn_like(output[:, CHANNELS[channel]])
    output.requires_grad_(True)
    before = imitation_loss(output, teacher)
    before.backward()
    assert output.grad is not None
    assert output.grad[:, CHANNELS[channel]].abs().sum() > 0
    assert imitation_loss(output.detach() - 0.05 * output.grad, teacher) < before.detach()


def test_what_the_teacher_says_far_from_its_centres_does_not_count() -> None:
    teacher, other = answers(2), answers(2)
    teacher[:, 0, 5, 5] = other[:, 0, 5, 5] = -30  # certainly no centre
    other[:, 1:, 5, 5] += 3
    assert imitation_loss(other, teacher) == pytest.approx(0, abs=1e-6)


def test_no_gradient_flows_to_the_teacher() -> None:
    teacher = answers(3).requires_grad_(True)
    output = answers(4).requires_grad_(True)
    imitation_loss(output, teacher).backward()
    assert teacher.grad is None
    assert output.grad is not None


def test_the_loss_adds_the_imitation_by_its_weight() -> None:
    _, labels = next(iter(ring_batches(2, side_px=64, seed=5)))
    targets = make_targets(labels, 64)
    output, teacher = torch.randn(2, CHANNEL_COUNT, 16, 16), torch.randn(2, CHANNEL_COUNT, 16, 16)
    settings = LossSettings(l1_weight=2.0, overlap_weight=4.0, object_balance=0.5, imitation_weight=3.0)
    alone, taught = loss(output, targets, settings), loss(output, targets, settings, teacher)
    assert alone.imitation == 0
    assert float(taught.total - alone.total) == pytest.approx(3 * float(imitation_loss(output, teacher)), rel=1e-4)
