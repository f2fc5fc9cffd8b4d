"""The training loop: any stream of labelled pictures in, a trained network out."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Any

import torch
from torch import Tensor

from models.errors import ClutchlightError
from models.losses import Loss, LossSettings, loss
from models.network import EggNetwork
from models.targets import Labels, make_targets

__all__ = ["LoopSettings", "Trainer", "TrainingError", "TrainingProgress"]


class TrainingError(ClutchlightError):
    """A training run that came to nothing."""


_LOSSES = tuple(field.name for field in fields(Loss))
MAX_GRADIENT_NORM = 5.0  # norm over all weights; longer steps are shortened to it


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
    """Where a run stands: step of steps; since the last report pictures per second and the means of the losses."""

    step: int
    steps: int
    learning_rate: float
    pictures_per_second: float
    losses: dict[str, float]


class Trainer:
    """A network in training, and all that is needed to go on with it elsewhere or another day.

    On a GPU convolutions run in bfloat16, and nothing in a step waits for the GPU: the processor is then always ahead
    with the next picture.
    """

    def __init__(self, network: EggNetwork, settings: LoopSettings, device: torch.device) -> None:
        self.step = 0
        self._settings = settings
        self._device = device
        self._network = network.to(device).to(memory_format=torch.channels_last).train()
        self._average = copy.deepcopy(self._network).eval().requires_grad_(False)
        on_gpu = device.type == "cuda"
        self._losses_of = torch.compile(self._losses) if on_gpu else self._losses
        self._optimiser = torch.optim.AdamW(
            network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay, fused=on_gpu
        )

    def run(self, batches: Iterable[tuple[Tensor, Labels]]) -> Iterator[TrainingProgress]:
        """Train on (B, C, S, S) pictures and labels to the last step, with a report every few steps and at the end.

        ``batches`` begin with the one after those already taken. Raises TrainingError once the losses are no numbers.
        """
        since, pictures_seen, sums = time.perf_counter(), 0, None
        steps_seen = 0
        source = iter(batches)
        while self.step < self._settings.steps:
            pictures, labels = next(source)
            losses = self._take(pictures, labels)
            sums = losses if sums is None else sums + losses
            pictures_seen, steps_seen = pictures_seen + len(pictures), steps_seen + 1
            if self.step % self._settings.report_every_steps == 0 or self.step == self._settings.steps:
                means = dict(zip(_LOSSES, (sums / steps_seen).tolist(), strict=True))
                if not all(map(math.isfinite, means.values())):
                    raise TrainingError(
                        f"Between steps {self.step - steps_seen + 1} and {self.step} the losses ceased to be numbers. "
                        "The last checkpoint is from before; lower the learning rate or lengthen the warm-up."
                    )
                seconds = time.perf_counter() - since
                yield TrainingProgress(self.step, self._settings.steps, self._rate(), pictures_seen / seconds, means)
                since, pictures_seen, sums, steps_seen = time.perf_counter(), 0, None, 0

    def averaged_network(self) -> EggNetwork:
        """A copy of the network with the running averages of its weights, for evaluation."""
        return copy.deepcopy(self._average).to(memory_format=torch.contiguous_format)

    def state(self) -> dict[str, Any]:
        """Everything that :meth:`restore` needs, in types that torch.load takes without trusting the file."""
        return {
            "step": self.step,
            "network": self._network.state_dict(),
            "average": self._average.state_dict(),
            "optimiser": self._optimiser.state_dict(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on where a training of the same network and settings gave its state."""
        self.step = state["step"]
        self._network.load_state_dict(state["network"])
        self._average.load_state_dict(state["average"])
        self._optimiser.load_state_dict(state["optimiser"])

    def _take(self, pictures: Tensor, labels: Labels) -> Tensor:
        """One step; the losses, (7,) in the order of Loss."""
        for group in self._optimiser.param_groups:
            group["lr"] = self._rate()
        # The sizes never change, so it pays to try which way of computing a convolution is the fastest.
        with torch.backends.cudnn.flags(enabled=True, benchmark=True):
            losses = self._losses_of(pictures.contiguous(memory_format=torch.channels_last), labels)
            self._optimiser.zero_grad(set_to_none=True)
            losses.total.backward()
        torch.nn.utils.clip_grad_norm_(self._network.parameters(), MAX_GRADIENT_NORM)
        self._optimiser.step()
        self.step += 1
        self._follow()
        return torch.stack([value.detach() for value in vars(losses).values()])

    def _losses(self, pictures: Tensor, labels: Labels) -> Loss:
        with torch.autocast(self._device.type, dtype=torch.bfloat16, enabled=self._device.type == "cuda"):
            answer = self._network(pictures)
        return loss(answer.float(), make_targets(labels, pictures.shape[-1]), self._settings.loss)

    def _rate(self) -> float:
        """The learning rate of the coming step: a straight rise, then a cosine down to nothing."""
        settings = self._settings
        if self.step < settings.warm_up_steps:
            return settings.learning_rate * (self.step + 1) / settings.warm_up_steps
        done = (self.step - settings.warm_up_steps) / max(1, settings.steps - settings.warm_up_steps)
        return settings.learning_rate * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))

    @torch.no_grad()
    def _follow(self) -> None:
        """Move the running average towards the network; after the first step it is the network.

        The average reaches back over a tenth of the steps so far at most: with the full decay from the start, a short
        run would keep much of the network that it began with, and be good for nothing.
        """
        share = max(1 - self._settings.ema_decay, 10 / (9 + self.step))
        kept, current = (list(one.state_dict().values()) for one in (self._average, self._network))
        real = [index for index, values in enumerate(kept) if values.is_floating_point()]
        # torch's AveragedModel does the same and waits for the GPU to count.
        torch._foreach_lerp_([kept[index] for index in real], [current[index] for index in real], share)
        for average, values in zip(kept, current, strict=True):
            if not average.is_floating_point():
                average.copy_(values)
