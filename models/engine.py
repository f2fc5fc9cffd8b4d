"""What runs the network on pictures, whatever library and device are behind it."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

__all__ = ["Engine", "EngineError"]


class EngineError(ClutchlightError):
    """An inference engine that is unknown or cannot run on this machine."""


class Engine(Protocol):
    """What runs the network on pictures."""

    @property
    def name(self) -> str:
        """Engine, precision and device, as written to the store: engines of one name give the same bytes."""
        ...

    @property
    def weights_name(self) -> str:
        """The weights file's name without its suffix."""
        ...

    @property
    def weights_sha256(self) -> str:
        """SHA-256 of the weights file."""
        ...

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        """(B, 1, S, S) grey in [0, 1] -> (B, 11, S/4, S/4), see models.output_channels.CHANNELS."""
        ...
