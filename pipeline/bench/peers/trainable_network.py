"""What a network must offer to be trained beside others on our phantoms, and to be asked what it finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from torch import Tensor, nn

from models.targets import Labels

__all__ = ["Outlines", "TrainableNetwork"]

Outlines = list[dict[str, Any]]


@dataclass(frozen=True)
class TrainableNetwork:
    """A kind of network.

    build : one with random weights
    loss : of pictures (B, 1, S, S) in [0, 1] and their labels, as a scalar
    outlines : what it finds in one picture (1, 1, S, S) in [0, 1]: outlines in its px, with score and stage
    batch, learning_rate, weight_decay : of its training; the learning rate is the highest, of AdamW
    has_fixed_shapes : whether all of its steps are alike, so that the fastest convolutions may be chosen by trial
    is_compiled : whether its loss is compiled on a GPU
    """

    build: Callable[[], nn.Module]
    loss: Callable[[nn.Module, Tensor, Labels], Tensor]
    outlines: Callable[[nn.Module, Tensor], Outlines]
    batch: int
    learning_rate: float
    weight_decay: float = 0.01
    has_fixed_shapes: bool = True
    is_compiled: bool = False
