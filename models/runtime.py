"""One interface, two engines: OpenVINO for CPUs, torch for GPUs and as the reference."""

from __future__ import annotations

import hashlib
import importlib.resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

if TYPE_CHECKING:
    from models.network import EggNetwork

__all__ = ["Engine", "EngineError", "OpenVinoEngine", "TorchEngine", "make_engine", "shipped_weights", "weights_sha256"]


class EngineError(ClutchlightError):
    """An inference engine that is unknown or cannot run on this machine."""


class Engine(Protocol):
    """Anything that answers pictures."""

    @property
    def name(self) -> str:
        """Engine, precision and device, as written into the store: answers of one name are the same bytes."""
        ...

    @property
    def weights_name(self) -> str:
        """The weights file's name without its ending."""
        ...

    @property
    def weights_sha256(self) -> str:
        """The weights file's identity."""
        ...

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        """(B, 1, S, S) grey in [0, 1] -> (B, 11, S/4, S/4), see models.output_channels.CHANNELS."""
        ...


def shipped_weights() -> Path:
    """The trained network that comes with the package."""
    return Path(str(importlib.resources.files("models"))) / "weights" / "clutchlight.safetensors"


def weights_sha256(path: Path) -> str:
    """SHA-256 of the weights file: the identity of the network in every result. Raises WeightsError if unreadable."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        from models.network import WeightsError

        raise WeightsError(
            f"No weights file at {path} ({error.strerror}). Name one that exists, or leave the option out."
        ) from error


def _single_frame_network(weights: Path) -> EggNetwork:
    """A network that needs nothing but one grey frame. Raises WeightsError for any other."""
    from models.network import WeightsError, load_weights

    network = load_weights(weights)
    if network.config.input_channels != 1:
        raise WeightsError(
            f"{weights} holds a network that wants more than one grey frame: {network.config.frames} frame(s), scale "
            f"{'told' if network.config.has_scale_channel else 'not told'}. Recordings are read with one frame and no scale: "
            "use weights trained with frames = 1 and has_scale_channel = false."
        )
    return network


class TorchEngine:
    """The reference: float32, on a CUDA device if there is one and it is asked for."""

    def __init__(self, weights: Path, *, device: str = "cpu", threads: int = 2) -> None:
        import torch

        if device != "cpu" and not torch.cuda.is_available():
            raise EngineError(f"There is no {device} device on this machine. Leave the device out to use the CPU.")
        torch.set_num_threads(threads)
        self._torch = torch
        self._network = _single_frame_network(weights).to(device)
        self._device = device
        self.name = f"torch-f32-{device}"
        self.weights_name, self.weights_sha256 = weights.stem, weights_sha256(weights)

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        with self._torch.inference_mode():
            answer = self._network(self._torch.from_numpy(pictures).to(self._device))
            return cast(NDArray[np.float32], answer.float().cpu().numpy())


class OpenVinoEngine:
    """The CPU engine: bfloat16 where the processor computes in it natively, float32 elsewhere."""

    def __init__(self, weights: Path, *, threads: int = 2) -> None:
        import openvino
        import torch

        from models.output_channels import INPUT_SIDE_PX

        network = _single_frame_network(weights)
        example = torch.zeros(2, 1, INPUT_SIDE_PX, INPUT_SIDE_PX)
        batch = torch.export.Dim("batch", min=1, max=1024)
        program = torch.export.export(network, (example,), dynamic_shapes=({0: batch},))
        model = openvino.convert_model(program)
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
        # One picture a request: streams work side by side, and an answer never depends on its neighbours.
        answers: list[NDArray[np.float32] | None] = [None] * len(pictures)

        def keep(request: Any, index: int) -> None:
            answers[index] = np.array(request.get_output_tensor(0).data[0], dtype=np.float32)

        self._queue.set_callback(keep)
        for index, picture in enumerate(pictures):
            self._queue.start_async({0: picture[None]}, index)
        self._queue.wait_all()
        return np.stack(cast(list[NDArray[np.float32]], answers))


def make_engine(name: str, weights: Path, *, threads: int = 2) -> Engine:
    """The engine called "openvino", "torch" or "cuda".

    Raises EngineError for another name or a device that is missing, WeightsError for unusable weights.
    """
    if name == "openvino":
        return OpenVinoEngine(weights, threads=threads)
    if name == "torch":
        return TorchEngine(weights, threads=threads)
    if name == "cuda":
        return TorchEngine(weights, device="cuda", threads=threads)
    raise EngineError(f'There is no engine called "{name}". Choose openvino, torch or cuda.')
