"""Networks of PyTorch, trained by AdamW: on a GPU without waiting for it, and with compiled kernels if they pay."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from models.network import EggNetwork, load_weights, save_weights
from models.targets import Labels
from models.training import MAX_GRADIENT_NORM
from models.weight_average import move_average
from pipeline.bench.peers.trainable_network import Finder, Learner, Outlines, PeerTraining

__all__ = ["TorchNetwork"]


@dataclass(frozen=True)
class TorchNetwork:
    """A `TrainableNetwork`.

    build : one with random weights
    loss : of pictures (B, 1, S, S) in [0, 1] and their labels, as a scalar
    outlines : what it finds in one picture (1, 1, S, S)
    batch, learning_rate, weight_decay : of its training; the learning rate is the highest
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
    needs_cpu: bool = False

    def begin(self, settings: PeerTraining, device: torch.device) -> Learner:
        """One with random weights."""
        return _TorchLearner(self, settings, device)

    def load(self, path: Path, device: torch.device) -> Finder:
        """A trained one."""
        from safetensors.torch import load_file

        network = self.build()
        if isinstance(network, EggNetwork):
            network = load_weights(path)
        else:
            network.load_state_dict(load_file(path))
        network = network.to(device).eval()

        @torch.no_grad()
        def find(picture: NDArray[np.float32]) -> Outlines:
            return self.outlines(network, torch.from_numpy(picture)[None, None].to(device))

        return find


class _TorchLearner:
    def __init__(self, kind: TorchNetwork, settings: PeerTraining, device: torch.device) -> None:
        torch.manual_seed(settings.seed)
        on_gpu = device.type == "cuda"
        self._settings, self._kind = settings, kind
        self._network = kind.build().to(device).to(memory_format=torch.channels_last).train()
        self._average = copy.deepcopy(self._network).eval().requires_grad_(False)
        self._compiled_loss = torch.compile(self._loss) if on_gpu and kind.is_compiled else self._loss
        self._optimiser = torch.optim.AdamW(
            self._network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay, fused=on_gpu
        )

    def take_step(self, step: int, pictures: Tensor, labels: Labels, learning_rate: float) -> Tensor:
        torch.manual_seed(self._settings.seed + step)  # proposals are sampled; a continued run draws the same
        for group in self._optimiser.param_groups:
            group["lr"] = learning_rate
        with torch.backends.cudnn.flags(enabled=True, benchmark=self._kind.has_fixed_shapes):
            loss = self._compiled_loss(pictures.contiguous(memory_format=torch.channels_last), labels)
            self._optimiser.zero_grad(set_to_none=True)
            loss.backward()
        torch.nn.utils.clip_grad_norm_(self._network.parameters(), MAX_GRADIENT_NORM)
        self._optimiser.step()
        move_average(self._average, self._network, step=step + 1, decay=self._settings.ema_decay)
        return loss.detach()

    def state(self) -> dict[str, Any]:
        return {
            "network": self._network.state_dict(),
            "average": self._average.state_dict(),
            "optimiser": self._optimiser.state_dict(),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self._network.load_state_dict(state["network"])
        self._average.load_state_dict(state["average"])
        self._optimiser.load_state_dict(state["optimiser"])

    def save(self, path: Path, notes: Mapping[str, str]) -> None:
        from safetensors.torch import save_file

        if isinstance(self._average, EggNetwork):  # a file as of clutchlight train
            save_weights(self._average, path, dict(notes))
            return
        values = self._average.state_dict().items()
        half = {key: value.half() if value.is_floating_point() else value for key, value in values}
        save_file({key: value.cpu().contiguous() for key, value in half.items()}, path, dict(notes))

    def _loss(self, pictures: Tensor, labels: Labels) -> Tensor:
        return self._kind.loss(self._network, pictures, labels)
