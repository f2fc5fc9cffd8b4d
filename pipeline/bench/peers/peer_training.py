"""Trains a network of `networks` on our phantoms for a given time, so that each gets as much."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import torch
from pydantic import BaseModel, ConfigDict, Field
from torch import Tensor

from models.checkpoint import Checkpoint
from models.targets import Labels
from models.training import MAX_GRADIENT_NORM, TrainingError
from models.weight_average import move_average
from pipeline.bench.peers.networks import NETWORKS, save_network
from pipeline.bench.peers.our_network import shipped_training
from pipeline.bench.peers.training_notes import timed_notes
from synthetic.training.training_run import LabelledBatches

__all__ = ["PeerTraining", "TimedTraining", "peer_training", "train_peer"]

# All values: common practice, no source.
_WARM_UP_SHARE = 0.04  # of the time, in which the learning rate rises; as in configs/training.toml
_SAVE_EVERY_SECONDS = 60.0
_WAIT_EVERY_STEPS = 10  # for the GPU, so that what it has still to do does not grow


class PeerTraining(BaseModel):
    """One training. minutes : of all that it needs, from drawing the phantoms on
    animals : that the pictures show;  learning_rate : the highest, of AdamW;  ema_decay : of the weights' average

    The learning rate falls along half a cosine over the time.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    network: str
    minutes: Annotated[float, Field(gt=0)]
    seed: Annotated[int, Field(ge=0)] = 1
    batch: Annotated[int, Field(ge=2)]
    animals: Annotated[int, Field(ge=1)]
    learning_rate: Annotated[float, Field(gt=0, lt=1)]
    weight_decay: Annotated[float, Field(ge=0, lt=1)]
    ema_decay: Annotated[float, Field(gt=0, lt=1)]


@dataclass(frozen=True)
class TimedTraining:
    """What came of a training. pictures : that were learned from, those that came again included"""

    steps: int
    pictures: int


def peer_training(network: str, **given: Any) -> PeerTraining:
    """The training of a network by its name; what is not given is as usual for it, the rest as in ours."""
    kind, ours = NETWORKS[network](), shipped_training()
    usual = {
        "batch": kind.batch,
        "animals": ours.animals,
        "learning_rate": kind.learning_rate,
        "weight_decay": kind.weight_decay,
        "ema_decay": ours.ema_decay,
    }
    return PeerTraining(network=network, **{**usual, **given})


def train_peer(
    settings: PeerTraining,
    weights: Path,
    draw_phantoms: Callable[[], LabelledBatches],
    *,
    device: torch.device,
    report: Callable[[float, float], None],
    clock: Callable[[], float] = time.monotonic,
) -> TimedTraining:
    """Train until the time is used, at least one step, and write the weights.

    draw_phantoms : gives the pictures; it is called once, and its time counts
    report : called after each step with the seconds used and all of them;  clock : in seconds

    A stopped run continues from the checkpoint beside the weights. Raises CheckpointError for that of another run, and
    TrainingError once a loss is not finite.
    """
    begun, total = clock(), 60.0 * settings.minutes
    weights.parent.mkdir(parents=True, exist_ok=True)
    # If memory is short, a run may continue with smaller batches.
    checkpoint = Checkpoint(weights.with_suffix(".checkpoint"), settings.model_dump_json(exclude={"batch"}))
    state = checkpoint.load(device)
    stepper = _Stepper(settings, device)
    step, pictures_seen, first_used = 0, 0, None
    if state is not None:
        stepper.restore(state)
        begun -= float(state["used"])
        step, pictures_seen, first_used = int(state["step"]), int(state["pictures"]), float(state["first_used"])
    stream, used, saved = draw_phantoms().batches(step), clock() - begun, 0.0
    while step == 0 or used < total:
        # The first step is no measure of the others: kernels are compiled in it.
        share = 0.0 if first_used is None else (used - first_used) / max(total - first_used, 1e-9)
        pictures, labels = next(stream)
        loss = stepper.take_step(step, pictures.to(device), labels, share)
        step, pictures_seen = step + 1, pictures_seen + len(pictures)
        if (step == 1 or step % _WAIT_EVERY_STEPS == 0) and not math.isfinite(loss.item()):
            raise TrainingError(f"At step {step} the loss is not a number. Lower the learning rate.")
        used = clock() - begun
        first_used = used if first_used is None else first_used
        if used - saved >= _SAVE_EVERY_SECONDS:
            saved = used
            counts = {"step": step, "pictures": pictures_seen, "used": used, "first_used": first_used}
            checkpoint.save({**stepper.state(), **counts})
        report(used, total)
    done = TimedTraining(step, pictures_seen)
    notes = timed_notes(settings.model_dump_json(), steps=step, pictures=pictures_seen, device=device.type)
    save_network(settings.network, stepper.average, weights, notes)
    checkpoint.remove()
    return done


class _Stepper:
    """A network in training, its average, and its optimiser."""

    def __init__(self, settings: PeerTraining, device: torch.device) -> None:
        torch.manual_seed(settings.seed)
        kind, on_gpu = NETWORKS[settings.network](), device.type == "cuda"
        self._settings, self._kind = settings, kind
        self._network = kind.build().to(device).to(memory_format=torch.channels_last).train()
        self.average = copy.deepcopy(self._network).eval().requires_grad_(False)
        self._compiled_loss = torch.compile(self._loss) if on_gpu and kind.is_compiled else self._loss
        self._optimiser = torch.optim.AdamW(
            self._network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay, fused=on_gpu
        )

    def take_step(self, step: int, pictures: Tensor, labels: Labels, share: float) -> Tensor:
        """The loss of a step. step : from 0;  share : of the time that is used"""
        torch.manual_seed(self._settings.seed + step)  # proposals are sampled; a continued run draws the same
        for group in self._optimiser.param_groups:
            group["lr"] = self._settings.learning_rate * _rate_share(share)
        with torch.backends.cudnn.flags(enabled=True, benchmark=self._kind.has_fixed_shapes):
            loss = self._compiled_loss(pictures.contiguous(memory_format=torch.channels_last), labels)
            self._optimiser.zero_grad(set_to_none=True)
            loss.backward()
        torch.nn.utils.clip_grad_norm_(self._network.parameters(), MAX_GRADIENT_NORM)
        self._optimiser.step()
        move_average(self.average, self._network, step=step + 1, decay=self._settings.ema_decay)
        return loss.detach()

    def _loss(self, pictures: Tensor, labels: Labels) -> Tensor:
        return self._kind.loss(self._network, pictures, labels)

    def state(self) -> dict[str, Any]:
        return {
            "network": self._network.state_dict(),
            "average": self.average.state_dict(),
            "optimiser": self._optimiser.state_dict(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        self._network.load_state_dict(state["network"])
        self.average.load_state_dict(state["average"])
        self._optimiser.load_state_dict(state["optimiser"])


def _rate_share(share: float) -> float:
    """Of the highest learning rate, once this share of the time is used."""
    return min(1.0, (share + 1e-3) / _WARM_UP_SHARE) * (0.5 + 0.5 * math.cos(math.pi * min(share, 1.0)))
