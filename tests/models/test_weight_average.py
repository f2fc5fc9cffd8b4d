"""The running average of weights: a mean of the last steps, whole numbers copied."""

from __future__ import annotations

import copy

import pytest
import torch
from torch import nn

from models.weight_average import move_average


def test_it_is_the_network_at_first_and_covers_a_tenth_of_the_steps_later() -> None:
    network = nn.BatchNorm1d(1)
    average = copy.deepcopy(network)
    for step in range(1, 201):
        nn.init.constant_(network.weight, float(step))
        network.num_batches_tracked.fill_(step)
        move_average(average, network, step=step, decay=0.999)
        if step == 1:
            assert average.weight.item() == 1
    assert average.num_batches_tracked == 200
    assert average.weight.item() == pytest.approx(200 / 1.1, rel=0.02)  # the mean age is about a tenth
    move_average(average, network, step=10**6, decay=0.75)
    torch.testing.assert_close(average.weight, torch.full((1,), 200 / 1.1) * 0.75 + 50, rtol=0.02, atol=0)
