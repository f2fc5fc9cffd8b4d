"""How much work the network is for one picture, counted from its shape."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor, nn

from models.network import EggNetwork
from models.output_channels import INPUT_SIDE_PX
from models.weights_file import NetworkConfig

__all__ = ["NetworkWork", "count_work"]


@dataclass(frozen=True)
class NetworkWork:
    """operations : of one picture, additions and multiplications counted apart
    activations : numbers that convolutions read and write for one picture
    weights : numbers that they read for each batch;  parameters : all that are learned
    """

    operations: int
    activations: int
    weights: int
    parameters: int

    def bytes_per_picture(self, *, batch: int, bytes_per_number: int) -> float:
        """The least that has to be moved: each convolution reads its input and writes its output once, whatever is
        done with its numbers in between."""
        return bytes_per_number * (self.activations + self.weights / batch)


def count_work(config: NetworkConfig, side_px: int = INPUT_SIDE_PX) -> NetworkWork:
    """Of a network of this shape, for pictures of that side. Nothing is computed."""
    operations = activations = weights = 0

    def count(layer: nn.Module, given: tuple[Tensor], answer: Tensor) -> None:
        nonlocal operations, activations, weights
        assert isinstance(layer, nn.Conv2d)
        operations += 2 * layer.weight[0].numel() * answer.numel()
        activations += given[0].numel() + answer.numel()
        weights += layer.weight.numel()

    with torch.device("meta"), torch.inference_mode():
        network = EggNetwork(config).eval()
        for layer in network.modules():
            if isinstance(layer, nn.Conv2d):
                layer.register_forward_hook(count)
        network(torch.empty(1, config.frames, side_px, side_px))
    parameters = sum(each.numel() for each in network.parameters())
    return NetworkWork(operations, activations, weights, parameters)
