"""The engines by their names: OpenVINO for CPUs, torch for GPUs and as the reference."""

from __future__ import annotations

from pathlib import Path

from models.engine import Engine, EngineError

__all__ = ["make_engine"]


def make_engine(name: str, weights: Path, *, batch: int, threads: int = 2) -> Engine:
    """The engine named "openvino", "torch" or "cuda". Each is imported when it is made, since its library is slow to
    load and may not be installed.

    batch : pictures that a GPU gets at once

    Raises EngineError for an unknown name or a missing device, WeightsError for weights that cannot be used.
    """
    if name == "openvino":
        from models.openvino_engine import OpenVinoEngine

        return OpenVinoEngine(weights, threads=threads)
    if name == "torch":
        from models.torch_engine import TorchEngine

        return TorchEngine(weights, threads=threads)
    if name == "cuda":
        from models.gpu_engine import GpuEngine

        return GpuEngine(weights, batch=batch, threads=threads)
    raise EngineError(f'There is no engine named "{name}". Choose openvino, torch or cuda.')
