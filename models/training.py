"""The training loop: from any stream of labelled pictures to a trained network."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn.parallel import DistributedDataParallel

from models.device_group import ALONE, DeviceGroup
from models.errors import ClutchlightError
from models.losses import Loss, LossSettings, loss
from models.network import EggNetwork
from models.shared_batch_norm import share_batch_norm
from models.targets import Labels, make_targets
from models.weight_average import move_average

__all__ = ["LoopSettings", "Trainer", "TrainingError", "TrainingProgress"]


class TrainingError(ClutchlightError):
    """A training run whose losses are no longer finite numbers."""


_LOSSES = tuple(field.name for field in fields(Loss))
# Gradients with a larger norm over all weights are scaled down to it. Chosen by trial.
MAX_GRADIENT_NORM = 5.0


@dataclass(frozen=True)
class LoopSettings:
    """See ``configs/training.toml``."""

    steps: int
    learning_rate: float
    warm_up_steps: int
    weight_decay: float
    ema_decay: float
    report_every_steps: int
    loss: LossSettings


@dataclass(frozen=True)
class TrainingProgress:
    """A report of a run. step, steps : done so far, in all;  learning_rate : of the next step

    pictures_per_second, losses : speed, and means of the losses by name, since the last report
    """

    step: int
    steps: int
    learning_rate: float
    pictures_per_second: float
    losses: dict[str, float]


class Trainer:
    """A network in training, and all the state that is needed to continue it later or on another machine.

    On a GPU convolutions run in bfloat16, and no step waits for the GPU, so that the processor can prepare the next
    pictures meanwhile. Of several devices each trains on its share of every batch, and takes the step that one device
    would take on the whole batch (up to rounding). All keep the same weights, so any of them can save the state.
    """

    def __init__(
        self,
        network: EggNetwork,
        settings: LoopSettings,
        device: torch.device,
        teacher: EggNetwork | None = None,
        group: DeviceGroup = ALONE,
    ) -> None:
        """teacher : a trained network to imitate beside the labels, see models.imitation
        group : the devices that train together; the network's weights must be the same on all of them
        """
        self.step = 0
        self._settings = settings
        self._device, self._group = device, group
        self._network = network.to(device).to(memory_format=torch.channels_last).train()
        self._average = copy.deepcopy(self._network).eval().requires_grad_(False)
        self._teacher = None if teacher is None else teacher.to(device).to(memory_format=torch.channels_last).eval()
        on_gpu = device.type == "cuda"
        self._forward: Callable[[Tensor], Tensor] = self._network
        self._sum: Callable[[Tensor], Tensor] = group.sum
        if group.size > 1:
            self._forward = _distributed(self._network, group)
            if on_gpu:  # what talks to other devices is not compiled
                self._forward, self._sum = torch.compiler.disable(self._forward), torch.compiler.disable(self._sum)
        self._compiled_losses = torch.compile(self._losses) if on_gpu else self._losses
        self._optimiser = torch.optim.AdamW(
            network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay, fused=on_gpu
        )

    def run(self, batches: Iterable[tuple[Tensor, Labels]]) -> Iterator[TrainingProgress]:
        """Train on pictures (B, 1, S, S) and labels up to the last step, with a report every few steps and at the end.

        batches : this device's shares, from the first one that has not been trained on. Raises TrainingError once a
        loss is not finite.
        """
        since, pictures_seen, sums = time.perf_counter(), 0, None
        steps_seen = 0
        source = iter(batches)
        while self.step < self._settings.steps:
            pictures, labels = next(source)
            losses = self._take_step(pictures, labels)
            sums = losses if sums is None else sums + losses
            pictures_seen, steps_seen = pictures_seen + len(pictures), steps_seen + 1
            if self.step % self._settings.report_every_steps == 0 or self.step == self._settings.steps:
                *totals, pictures_of_all = self._group.sum(torch.cat([sums, sums.new_tensor([pictures_seen])])).tolist()
                means = {name: total / steps_seen for name, total in zip(_LOSSES, totals, strict=True)}
                if not all(map(math.isfinite, means.values())):
                    raise TrainingError(
                        f"Between steps {self.step - steps_seen + 1} and {self.step} a loss became infinite or not a "
                        "number. The last checkpoint is older; lower the learning rate or lengthen the warm-up."
                    )
                seconds = time.perf_counter() - since
                yield TrainingProgress(
                    self.step, self._settings.steps, self._learning_rate(), pictures_of_all / seconds, means
                )
                since, pictures_seen, sums, steps_seen = time.perf_counter(), 0, None, 0

    def averaged_network(self) -> EggNetwork:
        """A copy of the network with the running average of its weights, for evaluation."""
        return copy.deepcopy(self._average).to(memory_format=torch.contiguous_format)

    def state(self) -> dict[str, Any]:
        """Everything that :meth:`restore` needs, in types that torch.load accepts with weights_only=True."""
        return {
            "step": self.step,
            "network": self._network.state_dict(),
            "average": self._average.state_dict(),
            "optimiser": self._optimiser.state_dict(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Continue from the state of a training with the same network and settings."""
        self.step = state["step"]
        self._network.load_state_dict(state["network"])
        self._average.load_state_dict(state["average"])
        self._optimiser.load_state_dict(state["optimiser"])

    def _take_step(self, pictures: Tensor, labels: Labels) -> Tensor:
        """Take one step. Returns the losses, (8,) in the order of Loss."""
        for group in self._optimiser.param_groups:
            group["lr"] = self._learning_rate()
        # All batches have the same size, so it pays to let cuDNN measure which convolution algorithm is fastest.
        with torch.backends.cudnn.flags(enabled=True, benchmark=True):
            losses = self._compiled_losses(pictures.contiguous(memory_format=torch.channels_last), labels)
            self._optimiser.zero_grad(set_to_none=True)
            # The mean of the gradients over the devices is taken, and the loss of the batch is the sum.
            (losses.total * self._group.size).backward()
        torch.nn.utils.clip_grad_norm_(self._network.parameters(), MAX_GRADIENT_NORM)
        self._optimiser.step()
        self.step += 1
        move_average(self._average, self._network, step=self.step, decay=self._settings.ema_decay)
        return torch.stack([value.detach() for value in vars(losses).values()])

    def _losses(self, pictures: Tensor, labels: Labels) -> Loss:
        with torch.autocast(self._device.type, dtype=torch.bfloat16, enabled=self._device.type == "cuda"):
            output = self._forward(pictures)
            with torch.no_grad():
                taught = None if self._teacher is None else self._teacher(pictures).float()
        return loss(output.float(), make_targets(labels, pictures.shape[-1]), self._settings.loss, taught, self._sum)

    def _learning_rate(self) -> float:
        """The learning rate of the next step: a linear rise, then half a cosine down to 0."""
        settings = self._settings
        if self.step < settings.warm_up_steps:
            return settings.learning_rate * (self.step + 1) / settings.warm_up_steps
        done = (self.step - settings.warm_up_steps) / max(1, settings.steps - settings.warm_up_steps)
        return settings.learning_rate * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))


def _distributed(network: nn.Module, group: DeviceGroup) -> Callable[[Tensor], Tensor]:
    """The network on one of several devices, with the mean of all gradients after each backward pass."""
    share_batch_norm(network, group)
    parallel = DistributedDataParallel(network)

    def forward(pictures: Tensor) -> Tensor:
        output: Tensor = parallel(pictures)
        return output

    return forward
