"""Devices that train one network together: each takes its share of every batch, and sums are over all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import torch
from torch import Tensor, distributed

__all__ = ["ALONE", "DeviceGroup"]


@dataclass(frozen=True)
class DeviceGroup:
    """One device among those that train together, each with a process of its own. rank : from 0;  size : of the group

    More than one need torch's process group, see models.device_processes.
    """

    rank: int = 0
    size: int = 1

    @property
    def seed_key(self) -> tuple[int, ...]:
        """What a seed is extended by, so that no two devices, and no two sizes of a group, draw the same pictures."""
        return () if self.size == 1 else (self.size, self.rank)

    def share(self, number: int) -> int:
        """This device's share of that many pictures. The shares add up to all, and differ by one at most."""
        return number // self.size + (self.rank < number % self.size)

    def sum(self, values: Tensor) -> Tensor:
        """The sums of the values over all devices. No gradient flows through them."""
        if self.size == 1:
            return values
        total = values.detach().clone()
        distributed.all_reduce(total)
        return total

    def sum_with_gradient(self, values: Tensor) -> Tensor:
        """The same, with the gradient of what all devices compute from the sums."""
        return values if self.size == 1 else cast(Tensor, _Sum.apply(values, self))


ALONE = DeviceGroup()
"""A device that trains by itself."""


class _Sum(torch.autograd.Function):
    """A sum that enters the loss of every device: its gradient is the sum of the gradients there."""

    @staticmethod
    def forward(context: Any, values: Tensor, group: DeviceGroup) -> Tensor:
        context.group = group
        return group.sum(values)

    @staticmethod
    def backward(context: Any, gradient: Tensor) -> tuple[Tensor, None]:
        return context.group.sum(gradient), None
