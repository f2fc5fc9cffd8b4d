"""Trains a network of `networks` on our phantoms for a given time, so that each gets as much."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from models.checkpoint import Checkpoint
from models.training import TrainingError
from pipeline.bench.peers.networks import NETWORKS
from pipeline.bench.peers.our_network import shipped_training
from pipeline.bench.peers.trainable_network import NAME, PeerTraining
from pipeline.bench.peers.training_notes import timed_notes
from synthetic.training.training_run import LabelledBatches

__all__ = ["TimedTraining", "peer_training", "train_peer"]

# All values: common practice, no source.
_WARM_UP_SHARE = 0.04  # of the time, in which the learning rate rises; as in configs/training.toml
_SAVE_EVERY_SECONDS = 60.0
_WAIT_EVERY_STEPS = 10  # for the GPU, so that what it has still to do does not grow


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
    learner = NETWORKS[settings.network]().begin(settings, device)
    step, pictures_seen, first_used = 0, 0, None
    if state is not None:
        learner.restore(state)
        begun -= float(state["used"])
        step, pictures_seen, first_used = int(state["step"]), int(state["pictures"]), float(state["first_used"])
    stream, used, saved = draw_phantoms().batches(step), clock() - begun, 0.0
    while step == 0 or used < total:
        # The first step is no measure of the others: kernels are compiled in it.
        share = 0.0 if first_used is None else (used - first_used) / max(total - first_used, 1e-9)
        pictures, labels = next(stream)
        loss = learner.take_step(step, pictures.to(device), labels, settings.learning_rate * _rate_share(share))
        step, pictures_seen = step + 1, pictures_seen + len(pictures)
        if (step == 1 or step % _WAIT_EVERY_STEPS == 0) and not math.isfinite(loss.item()):
            raise TrainingError(f"At step {step} the loss is not a number. Lower the learning rate.")
        used = clock() - begun
        first_used = used if first_used is None else first_used
        if used - saved >= _SAVE_EVERY_SECONDS:
            saved = used
            counts = {"step": step, "pictures": pictures_seen, "used": used, "first_used": first_used}
            checkpoint.save({**learner.state(), **counts})
        report(used, total)
    done = TimedTraining(step, pictures_seen)
    notes = timed_notes(settings.model_dump_json(), steps=step, pictures=pictures_seen, device=device.type)
    learner.save(weights, {NAME: settings.network, **notes})
    checkpoint.remove()
    return done


def _rate_share(share: float) -> float:
    """Of the highest learning rate, once this share of the time is used."""
    return min(1.0, (share + 1e-3) / _WARM_UP_SHARE) * (0.5 + 0.5 * math.cos(math.pi * min(share, 1.0)))
