"""The engine for CPUs, which needs no torch."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from models.openvino_graph import build_graph
from models.openvino_library import import_openvino
from models.weights_file import read_weights, weights_sha256

__all__ = ["OpenVinoEngine"]


class OpenVinoEngine:
    """8 bits where the weights file says how, else bfloat16 where the processor supports it natively, else float32.

    The layers that are not rounded to 8 bits are computed in bfloat16 or float32, too.
    """

    def __init__(self, weights: Path, *, threads: int = 2) -> None:
        openvino = import_openvino()
        core = openvino.Core()
        abilities = core.get_property("CPU", "OPTIMIZATION_CAPABILITIES")
        precision = "bf16" if "BF16" in abilities else "f32"
        model: Any = read_weights(weights, partial(build_graph, eight_bits="INT8" in abilities))
        is_rounded = any(step.get_type_name() == "FakeQuantize" for step in model.get_ops())
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
        self.name = f"openvino-i8-{precision}-cpu" if is_rounded else f"openvino-{precision}-cpu"
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
