"""Batch normalisation over the pictures of all devices that train together."""

from __future__ import annotations

from typing import cast

import torch
from torch import Tensor, nn

from models.device_group import DeviceGroup

__all__ = ["share_batch_norm"]


def share_batch_norm(network: nn.Module, group: DeviceGroup) -> None:
    """Replace the batch normalisation in the network; its weights, statistics and names stay.

    torch.nn.SyncBatchNorm does the same on GPUs only, and could not be tested without.
    """
    for parent in list(network.modules()):
        for name, child in list(parent.named_children()):
            if isinstance(child, nn.BatchNorm2d):
                setattr(parent, name, _SharedBatchNorm(child, group))


class _SharedBatchNorm(nn.BatchNorm2d):
    """What one device would compute from the whole batch. Shares may have different numbers of pictures."""

    def __init__(self, replaced: nn.BatchNorm2d, group: DeviceGroup) -> None:
        super().__init__(replaced.num_features, replaced.eps, replaced.momentum)
        self.weight, self.bias = replaced.weight, replaced.bias
        self.running_mean, self.running_var = replaced.running_mean, replaced.running_var
        self.num_batches_tracked = replaced.num_batches_tracked
        self._group = group
        self.train(replaced.training)

    def forward(self, x: Tensor) -> Tensor:
        """(B, C, H, W) -> the same shape and type; statistics are float32."""
        if not self.training:
            return super().forward(x)
        running_mean, running_var = cast(Tensor, self.running_mean), cast(Tensor, self.running_var)
        # Sums of squares lose digits if the mean is far from 0; the running mean, the same everywhere, is near it.
        shift = running_mean.clone()
        shifted = x.float() - _per_channel(shift)
        here = shifted.new_full((1,), x.numel() / x.shape[1])
        totals = self._group.sum_with_gradient(
            torch.cat([shifted.sum((0, 2, 3)), shifted.square().sum((0, 2, 3)), here])
        )
        number = totals[-1].detach()
        mean, mean_square = (totals[:-1] / number).chunk(2)
        variance = mean_square - mean.square()
        with torch.no_grad():
            running_mean.lerp_(mean + shift, cast(float, self.momentum))
            running_var.lerp_(variance * number / (number - 1), cast(float, self.momentum))
            cast(Tensor, self.num_batches_tracked).add_(1)
        scale = self.weight * torch.rsqrt(variance + self.eps)
        return (shifted * _per_channel(scale) + _per_channel(self.bias - mean * scale)).to(x.dtype)


def _per_channel(values: Tensor) -> Tensor:
    return values[:, None, None]
