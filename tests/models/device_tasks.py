"""What test_several_devices lets each device do. Processes that are started afresh find it here."""

from __future__ import annotations

import copy
import os
import signal
from collections.abc import Iterator
from dataclasses import fields
from itertools import islice

import torch
from torch import Tensor

from models.device_group import DeviceGroup
from models.device_processes import Reporter
from models.errors import ClutchlightError
from models.losses import LossSettings
from models.network import EggNetwork
from models.targets import Labels
from models.training import LoopSettings, Trainer
from models.weights_file import NetworkConfig
from tests.models.rings import ring_batches

__all__ = ["TaskError", "die", "fail", "small_network", "train"]

SIDE, BATCH = 64, 5  # two devices have shares of different sizes
SETTINGS = LoopSettings(
    steps=3,
    learning_rate=3e-3,
    warm_up_steps=1,
    weight_decay=0.01,
    ema_decay=0.8,
    report_every_steps=1,
    loss=LossSettings(l1_weight=4.0, overlap_weight=2.0, object_balance=0.5, imitation_weight=1.0),
)


class TaskError(ClutchlightError):
    """A task that fails."""


def small_network(seed: int) -> EggNetwork:
    torch.manual_seed(seed)
    return EggNetwork(NetworkConfig(widths=(8, 8, 12, 12, 16), blocks=(1, 1, 1, 1, 1)))


def train(group: DeviceGroup, device: torch.device, report: Reporter) -> dict[str, Tensor] | None:
    """Gradients and statistics after the first of a few steps, on this device's rows of each batch."""
    trainer = Trainer(small_network(3), SETTINGS, device, small_network(1).eval(), group)
    reports = trainer.run(_rows_of(group))
    report(next(reports))
    state = copy.deepcopy(trainer.state())
    for progress in reports:
        report(progress)
    # Weights that drift apart would not show in the first device's alone.
    for name, values in trainer.state()["network"].items():
        total = group.sum(values.double())
        assert torch.allclose(total, group.size * values.double(), rtol=1e-12, atol=0), name
    # After the first step a moment is the gradient times a constant.
    gradients = {f"gradient {number}": values["exp_avg"] for number, values in state["optimiser"]["state"].items()}
    return gradients | {name: values for name, values in state["network"].items() if "running" in name}


def _rows_of(group: DeviceGroup) -> Iterator[tuple[Tensor, Labels]]:
    start = sum(DeviceGroup(rank, group.size).share(BATCH) for rank in range(group.rank))
    rows = slice(start, start + group.share(BATCH))
    for pictures, labels in islice(ring_batches(BATCH, side_px=SIDE, seed=2), SETTINGS.steps):
        yield pictures[rows], Labels(*(getattr(labels, field.name)[rows] for field in fields(labels)))


def fail(group: DeviceGroup, device: torch.device, report: Reporter) -> None:
    """The second device fails while the first one waits for it."""
    if group.rank == 1:
        raise TaskError("The second device has failed.")
    group.sum(torch.ones(1))


def die(group: DeviceGroup, device: torch.device, report: Reporter) -> None:
    """The second device is killed while the first one waits for it."""
    report(group.size)
    group.sum(torch.ones(1))
    if group.rank == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    group.sum(torch.ones(1))
