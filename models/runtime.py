"""Engines that run the network: OpenVINO on CPUs, without torch; torch on GPUs and as the reference."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError
from models.weights_file import weights_sha256

__all__ = ["Engine", "EngineError", "OpenVinoEngine", "TorchEngine", "make_engine"]


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


class TorchEngine:
    """The reference engine: float32, on the CPU or on a CUDA device."""

    def __init__(self, weights: Path, *, device: str = "cpu", threads: int = 2) -> None:
        import torch

        from models.network import load_weights

        if device != "cpu" and not torch.cuda.is_available():
            raise EngineError(f"There is no {device} device on this machine. Choose openvino or torch to use the CPU.")
        torch.set_num_threads(threads)
        self._torch = torch
        self._network = load_weights(weights).to(device)
        self._device = device
        self.name = f"torch-f32-{device}"
        self.weights_name, self.weights_sha256 = weights.stem, weights_sha256(weights)

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        with self._torch.inference_mode():
            output = self._network(self._torch.from_numpy(pictures).to(self._device))
            return cast(NDArray[np.float32], output.float().cpu().numpy())


class OpenVinoEngine:
    """The CPU engine: bfloat16 where the processor supports it natively, else float32."""

    def __init__(self, weights: Path, *, threads: int = 2) -> None:
        from models.openvino_graph import build_graph
        from models.openvino_library import import_openvino
        from models.weights_file import read_weights

        openvino = import_openvino()
        model = read_weights(weights, build_graph)
        core = openvino.Core()
        native = "BF16" in core.get_property("CPU", "OPTIMIZATION_CAPABILITIES")
        precision = "bf16" if native else "f32"
        self._compiled: Any = core.compile_model(
            model,
            "CPU",
            {
                "INFERENCE_NUM_THREADS": threads,
                "NUM_STREAMS": threads,
                "INFERENCE_PRECISION_HINT": precision,
            },
        )
        self._queue: Any = openvino.AsyncInferQueue(self._compiled, threads)
        self.name = f"openvino-{precision}-cpu"
        self.weights_name, self.weights_sha256 = weights.stem, weights_sha256(weights)

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        # One picture per request: streams run in parallel, and the output for a picture never depends on the others.
        outputs: list[NDArray[np.float32] | None] = [None] * len(pictures)

        def keep(request: Any, index: int) -> None:
            outputs[index] = np.array(request.get_output_tensor(0).data[0], dtype=np.float32)

        self._queue.set_callback(keep)
        for index, picture in enumerate(pictures):
            self._queue.start_async({0: picture[None]}, index)
        self._queue.wait_all()
        return np.stack(cast(list[NDArray[np.float32]], outputs))


def make_engine(name: str, weights: Path, *, threads: int = 2) -> Engine:
    """The engine named "openvino", "torch" or "cuda".

    Raises EngineError for an unknown name or a missing device, WeightsError for weights that cannot be used.
    """
    if name == "openvino":
        return OpenVinoEngine(weights, threads=threads)
    if name == "torch":
        return TorchEngine(weights, threads=threads)
    if name == "cuda":
        return TorchEngine(weights, device="cuda", threads=threads)
    raise EngineError(f'There is no engine named "{name}". Choose openvino, torch or cuda.')
