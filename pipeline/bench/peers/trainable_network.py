"""What a network must offer to be trained beside others on our phantoms, and to be asked what it finds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from torch import Tensor

from models.targets import Labels

__all__ = ["NAME", "Finder", "Learner", "Outlines", "PeerTraining", "TrainableNetwork"]

NAME = "network"
"""The note in a weights file that says which network it is of."""

Outlines = list[dict[str, Any]]

Finder = Callable[[NDArray[np.float32]], Outlines]
"""What a trained network finds in a picture (S, S) in [0, 1]: outlines in its px, with score and stage."""


class PeerTraining(BaseModel):
    """One training. minutes : of all that it needs, from drawing the phantoms on
    animals : that the pictures show;  learning_rate : the highest;  ema_decay : of the weights' average

    The learning rate falls along half a cosine over the time.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    network: str
    minutes: Annotated[float, Field(gt=0)]
    seed: Annotated[int, Field(ge=0)] = 1
    batch: Annotated[int, Field(ge=2)]
    animals: Annotated[int, Field(ge=1)]
    learning_rate: Annotated[float, Field(gt=0, lt=1)]
    weight_decay: Annotated[float, Field(ge=0, lt=1)]
    ema_decay: Annotated[float, Field(gt=0, lt=1)]


class Learner(Protocol):
    """A network in training, the average of its weights, and its optimiser."""

    def take_step(self, step: int, pictures: Tensor, labels: Labels, learning_rate: float) -> Tensor:
        """The loss of pictures (B, 1, S, S) in [0, 1], a scalar. step : from 0"""

    def state(self) -> dict[str, Any]:
        """Everything that :meth:`restore` needs, in types that torch.load accepts with weights_only=True."""

    def restore(self, state: Mapping[str, Any]) -> None:
        """Continue from the state of a training with the same network and settings."""

    def save(self, path: Path, notes: Mapping[str, str]) -> None:
        """Write the average of the weights, as float16, with notes inside."""


class TrainableNetwork(Protocol):
    """A kind of network. batch, learning_rate, weight_decay : as usual for its training
    needs_cpu : whether it cannot be trained on a GPU
    """

    @property
    def batch(self) -> int: ...
    @property
    def learning_rate(self) -> float: ...
    @property
    def weight_decay(self) -> float: ...
    @property
    def needs_cpu(self) -> bool: ...

    def begin(self, settings: PeerTraining, device: torch.device) -> Learner:
        """One with random weights. Raises MethodError if its library is missing."""

    def load(self, path: Path, device: torch.device) -> Finder:
        """A trained one. Raises MethodError if its library is missing, and many kinds for a damaged file."""
