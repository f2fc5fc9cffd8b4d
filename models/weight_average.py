"""The running average of a network's weights, which is what is kept of a training."""

from __future__ import annotations

import torch
from torch import nn

__all__ = ["average_share", "move_average"]


def average_share(step: int, decay: float) -> float:
    """How far the average moves towards the network at a step.

    step : from 1;  decay : of the average at each step, once there were enough of them

    The average covers at most a tenth of the steps so far. With the full decay from the start, the average of a short
    run would still consist mostly of the network that the run began with.
    """
    return max(1 - decay, 10 / (9 + step))


@torch.no_grad()
def move_average(average: nn.Module, network: nn.Module, *, step: int, decay: float) -> None:
    """Move the running average towards the network; after the first step both are equal. The rest: `average_share`."""
    share = average_share(step, decay)
    averages, current = (list(one.state_dict().values()) for one in (average, network))
    floating = [index for index, values in enumerate(averages) if values.is_floating_point()]
    # torch's AveragedModel does the same, but its step counter waits for the GPU.
    torch._foreach_lerp_([averages[index] for index in floating], [current[index] for index in floating], share)
    for mean, values in zip(averages, current, strict=True):
        if not mean.is_floating_point():
            mean.copy_(values)
