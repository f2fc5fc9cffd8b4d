"""The reference engine: the network as it was trained, on the CPU."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import numpy as np
import torch
from numpy.typing import NDArray

from models.network import load_weights
from models.weights_file import weights_sha256

__all__ = ["TorchEngine"]


class TorchEngine:
    """float32."""

    def __init__(self, weights: Path, *, threads: int = 2) -> None:
        torch.set_num_threads(threads)
        self._network = load_weights(weights)
        self.name = "torch-f32-cpu"
        self.weights_name, self.weights_sha256 = weights.stem, weights_sha256(weights)

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        with torch.inference_mode():
            return cast(NDArray[np.float32], self._network(torch.from_numpy(pictures)).numpy())
