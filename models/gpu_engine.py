"""The engine for GPUs: half the numbers' bits, and batches of one size, each of them one call of a recorded graph.

A batch costs the processor three calls (pictures there, network, answers back) in place of one for each layer, and a
wait that leaves the core to others, since many processes share a GPU and each has a clip to decode.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch.backends import cudnn

from models.engine import EngineError
from models.network import load_weights
from models.output_channels import CHANNEL_COUNT, INPUT_SIDE_PX, STRIDE
from models.weights_file import weights_sha256

__all__ = ["GpuEngine"]

WARM_UP_RUNS = 3  # before a graph is recorded, so that libraries have chosen their methods (as PyTorch's manual does)


class GpuEngine:
    """float16, whose 11 bits are those that a GPU's matrix units keep of float32 (TF32), with half the bytes to move.

    Every batch is filled up to one size, since libraries choose the order of additions by it: the answer for a picture
    depends on no other picture, nor on how many there are.
    """

    def __init__(self, weights: Path, *, batch: int, device: str = "cuda", threads: int = 1) -> None:
        """batch : pictures that go in at once;  device : "cpu" runs the same without a graph, slowly

        Raises EngineError where there is no such device or it has too little memory, WeightsError for the file.
        """
        self._is_gpu = device != "cpu"
        if self._is_gpu and not torch.cuda.is_available():
            raise EngineError(f"There is no {device} device on this machine. Choose openvino or torch to use the CPU.")
        torch.set_num_threads(threads)
        network = load_weights(weights)
        network.fold_normalisation()
        grid = INPUT_SIDE_PX // STRIDE
        try:
            self._network = network.to(device, torch.float16).to(memory_format=torch.channels_last)
            # What goes there and back lies at a fixed place: the graph knows addresses, and pinned pages need no copy.
            shape = (batch, 1, INPUT_SIDE_PX, INPUT_SIDE_PX)
            self._given = torch.zeros(shape, pin_memory=self._is_gpu)
            self._pictures = torch.zeros(shape, device=device)
            self._outputs = torch.zeros((batch, CHANNEL_COUNT, grid, grid), device=device)
            self._answers = torch.zeros(self._outputs.shape, pin_memory=self._is_gpu)
            self._step = self._recorded() if self._is_gpu else self._compute
        except RuntimeError as error:
            raise EngineError(
                f"The network cannot run on {device} ({str(error).splitlines()[0]}). If its memory is used up, use "
                "fewer processes ([run] processes in the settings)."
            ) from error
        self.name = f"torch-f16-{device}"
        self.weights_name, self.weights_sha256 = weights.stem, weights_sha256(weights)

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        """As in `models.engine.Engine`."""
        batch = len(self._given)
        outputs = np.empty((len(pictures), *self._outputs.shape[1:]), np.float32)
        with torch.inference_mode():
            for start in range(0, len(pictures), batch):
                some = pictures[start : start + batch]
                self._given.numpy()[: len(some)] = some
                self._pictures.copy_(self._given, non_blocking=True)
                self._step()
                self._answers.copy_(self._outputs, non_blocking=True)
                self._wait()
                outputs[start : start + batch] = self._answers.numpy()[: len(some)]
        return outputs

    def _compute(self) -> None:
        self._outputs.copy_(self._network(self._pictures.half()))

    def _recorded(self) -> Callable[[], None]:
        """`_compute` as a graph of the GPU.

        Methods are chosen by rule and not by timing, so all processes choose the same.
        """
        with torch.inference_mode(), cudnn.flags(enabled=True, benchmark=False, deterministic=True):
            stream = torch.cuda.Stream()
            stream.wait_stream(torch.cuda.current_stream())
            with torch.cuda.stream(stream):
                for _ in range(WARM_UP_RUNS):
                    self._compute()
            torch.cuda.current_stream().wait_stream(stream)
            graph = torch.cuda.CUDAGraph()
            with torch.cuda.graph(graph):
                self._compute()
        return graph.replay

    def _wait(self) -> None:
        """Until the GPU is done, asleep: the usual wait keeps a core busy."""
        if self._is_gpu:
            done = torch.cuda.Event(blocking=True)
            done.record()
            done.synchronize()
