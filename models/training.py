"""The training loop: any stream of labelled pictures in, a trained network out."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import cast

import torch
from torch import Tensor
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from models.losses import Loss, loss
from models.network import EggNetwork
from models.targets import Labels, make_targets

__all__ = ["LoopSettings", "Progress", "train"]


@dataclass(frozen=True)
class LoopSettings:
    """See ``configs/training.toml``."""

    steps: int
    learning_rate: float
    warm_up_steps: int
    weight_decay: float
    average_decay: float
    report_every_steps: int


@dataclass(frozen=True)
class Progress:
    """Where a run stands: step of steps, pictures per second since the last report, and the losses just seen."""

    step: int
    steps: int
    pictures_per_second: float
    losses: dict[str, float]


def train(
    network: EggNetwork,
    batches: Iterator[tuple[Tensor, Labels]],
    settings: LoopSettings,
    *,
    device: torch.device,
    report: Callable[[Progress], None] = lambda progress: None,
) -> EggNetwork:
    """Train a network on (B, C, S, S) pictures and labels; returns the running average of its weights, for evaluation.

    On a GPU convolutions run in bfloat16.
    """
    network = network.to(device).to(memory_format=torch.channels_last).train()
    average = AveragedModel(network, multi_avg_fn=get_ema_multi_avg_fn(settings.average_decay), use_buffers=True)
    answer_of = torch.compile(network) if device.type == "cuda" else network
    optimiser = torch.optim.AdamW(network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay)
    schedule = torch.optim.lr_scheduler.LambdaLR(optimiser, lambda step: _rate(step, settings))
    since, pictures_seen = time.perf_counter(), 0
    for step in range(1, settings.steps + 1):
        pictures, labels = next(batches)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            answer = answer_of(pictures.contiguous(memory_format=torch.channels_last))
        losses = loss(answer.float(), make_targets(labels, pictures.shape[-1]))
        optimiser.zero_grad(set_to_none=True)
        losses.total.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        schedule.step()
        average.update_parameters(network)
        pictures_seen += len(pictures)
        if step % settings.report_every_steps == 0 or step == settings.steps:
            seconds = time.perf_counter() - since
            report(Progress(step, settings.steps, pictures_seen / seconds, _numbers(losses)))
            since, pictures_seen = time.perf_counter(), 0
    trained = cast(EggNetwork, average.module)
    return trained.to(memory_format=torch.contiguous_format).eval()


def _rate(step: int, settings: LoopSettings) -> float:
    if step < settings.warm_up_steps:
        return (step + 1) / settings.warm_up_steps
    done = (step - settings.warm_up_steps) / max(1, settings.steps - settings.warm_up_steps)
    return 0.5 * (1 + math.cos(math.pi * min(1.0, done)))


def _numbers(losses: Loss) -> dict[str, float]:
    return {name: float(value.detach()) for name, value in vars(losses).items()}
