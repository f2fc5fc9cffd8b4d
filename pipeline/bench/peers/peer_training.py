"""Trains a network of `torchvision_networks` on our phantoms for a given time, so that each peer gets as much."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
from pydantic import BaseModel, ConfigDict, Field

from models.checkpoint import Checkpoint
from pipeline.bench.peers.torchvision_networks import build_network, save_peer, training_loss
from synthetic.training.training_run import LabelledBatches

__all__ = ["PeerTraining", "train_peer"]

# All values: common practice, no source.
_WARM_UP_SHARE = 0.03  # of the time, in which the learning rate rises
_MAX_GRADIENT = 5.0  # norm of all gradients together
_SAVE_EVERY_SECONDS = 60.0


class PeerTraining(BaseModel):
    """One training. minutes : of rendering and training together;  learning_rate : the highest, of AdamW

    It falls along half a cosine over the time.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    network: str
    minutes: Annotated[float, Field(gt=0)]
    seed: Annotated[int, Field(ge=0)] = 1
    batch: Annotated[int, Field(ge=2)] = 32
    animals: Annotated[int, Field(ge=1)] = 800
    learning_rate: Annotated[float, Field(gt=0, lt=1)] = 5e-4
    weight_decay: Annotated[float, Field(ge=0, lt=1)] = 0.01


def train_peer(
    settings: PeerTraining,
    weights: Path,
    batches: LabelledBatches,
    *,
    device: torch.device,
    report: Callable[[float, float], None],
    clock: Callable[[], float] = time.monotonic,
) -> int:
    """Train until the time is used, and write the weights. Returns the number of steps.

    report : called after each step with the seconds used and all of them;  clock : in seconds

    A stopped run continues from the checkpoint beside the weights. Raises CheckpointError for that of another run.
    """
    weights.parent.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(settings.seed)
    network = build_network(settings.network).to(device).train()
    optimiser = torch.optim.AdamW(network.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay)
    checkpoint = Checkpoint(weights.with_suffix(".checkpoint"), settings.model_dump_json())
    step, used, total = 0, 0.0, 60.0 * settings.minutes
    if (state := checkpoint.load(device)) is not None:
        network.load_state_dict(state["network"])
        optimiser.load_state_dict(state["optimiser"])
        step, used = int(state["step"]), float(state["used"])
    stream, saved = batches.batches(step), used
    while used < total:
        begun = clock()
        torch.manual_seed(settings.seed + step)  # proposals are sampled; a continued run draws the same
        for group in optimiser.param_groups:
            group["lr"] = settings.learning_rate * _rate_share(used / total)
        pictures, labels = next(stream)
        loss = training_loss(settings.network, network, pictures.to(device), labels)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), _MAX_GRADIENT)
        optimiser.step()
        loss.item()  # waits for the GPU, whose time counts
        step, used = step + 1, used + clock() - begun
        if used - saved >= _SAVE_EVERY_SECONDS:
            saved = used
            state = {"network": network.state_dict(), "optimiser": optimiser.state_dict(), "step": step, "used": used}
            checkpoint.save(state)
        report(used, total)
    save_peer(settings.network, network, weights, {"settings": settings.model_dump_json(), "steps": str(step)})
    checkpoint.remove()
    return step


def _rate_share(share: float) -> float:
    """Of the highest learning rate, once this share of the time is used."""
    return min(1.0, (share + 1e-3) / _WARM_UP_SHARE) * (0.5 + 0.5 * float(np.cos(np.pi * share)))
