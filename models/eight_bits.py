"""Limits for the numbers that go into each layer, so that a network can be computed in 8 bits.

8 bits have 256 levels, spread evenly from 0 to a limit, since no input of a layer is negative; larger numbers are cut
off. A high limit makes the levels coarse, a low one cuts off much. The limit that is chosen has the least mean squared
error (Nagel et al., A White Paper on Neural Network Quantization, 2021, arXiv 2106.08295, section 3.1).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import torch
from torch import Tensor, nn

from models.network import EggNetwork
from models.openvino_graph import INPUT_LEVELS

__all__ = ["STEPS", "finding_input_limits", "input_limit"]

STEPS = INPUT_LEVELS - 1  # from 0 to the limit
SHARES_TRIED = 32  # of the largest number, as limits
NUMBERS_PER_PICTURE = 1000  # that go into a layer are looked at


@contextmanager
def finding_input_limits(network: EggNetwork) -> Iterator[None]:
    """The limits of the network's layers are found from the pictures that it is given within, and are then its own."""
    seen: dict[str, list[Tensor]] = defaultdict(list)

    def keep(name: str, layer: nn.Module, given: tuple[Tensor]) -> None:
        numbers = given[0].detach().flatten()
        # An odd stride meets all columns of a picture whose width is a power of two.
        seen[name].append(numbers[:: len(numbers) // (NUMBERS_PER_PICTURE * len(given[0])) | 1].float().cpu())

    layers = {name: layer for name, layer in network.named_modules() if isinstance(layer, nn.Conv2d)}
    hooks = [layer.register_forward_pre_hook(partial(keep, name)) for name, layer in layers.items()]
    try:
        yield
    finally:
        for hook in hooks:
            hook.remove()
    limits = {name: input_limit(torch.cat(numbers)) for name, numbers in seen.items()}
    network.input_limits = {name: limit for name, limit in limits.items() if limit > 0}


def input_limit(numbers: Tensor) -> float:
    """The limit for these numbers (N,), none of which is negative; 0 if none is positive."""
    largest = float(numbers.max())
    if largest == 0:
        return 0.0
    limits = [largest * share / SHARES_TRIED for share in range(1, SHARES_TRIED + 1)]
    errors = [float((_rounded(numbers, limit) - numbers).square().mean()) for limit in limits]
    return float(f"{limits[errors.index(min(errors))]:.4g}")


def _rounded(numbers: Tensor, limit: float) -> Tensor:
    return (numbers * (STEPS / limit)).round().clamp(max=STEPS) * (limit / STEPS)
