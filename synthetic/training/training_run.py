"""One training run from one file: phantoms, network, curves, held-out figures, weights."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import Annotated, Literal, Protocol

import torch
from pydantic import BaseModel, ConfigDict, Field
from torch import Tensor

from configs.reading import read_toml
from models.checkpoint import Checkpoint
from models.losses import LossSettings
from models.network import EggNetwork, NetworkConfig, WeightsError, load_weights, save_weights
from models.runtime import weights_sha256
from models.targets import Labels
from models.training import LoopSettings, Trainer, TrainingProgress
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.training_log import Curves

__all__ = [
    "HeldOutEvaluator",
    "LabelledBatches",
    "TrainingRun",
    "TrainingSettings",
    "calibrate_uncertainty",
    "interim_batch_count",
    "load_training_settings",
    "run_training",
    "stream_settings",
]

_Count = Annotated[int, Field(ge=1)]
_Rate = Annotated[float, Field(gt=0, lt=1)]

# Of the held-out pictures so many are looked at on the way, which takes about as long as 20 steps.
_INTERIM_PICTURES = 512


class TrainingSettings(BaseModel):
    """``configs/training.toml``, where every value has its meaning beside it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seed: Annotated[int, Field(ge=0)]
    steps: _Count
    batch: _Count
    batches_per_render: _Count
    animals: _Count
    processes: _Count
    widths: tuple[_Count, _Count, _Count, _Count, _Count]
    blocks: tuple[_Count, _Count, _Count, _Count, _Count]
    frames: Literal[1, 3]
    has_scale_channel: bool
    learning_rate: _Rate
    warm_up_steps: _Count
    weight_decay: Annotated[float, Field(ge=0, lt=1)]
    ema_decay: _Rate
    l1_weight: Annotated[float, Field(ge=0)]
    overlap_weight: Annotated[float, Field(ge=0)]
    object_balance: Annotated[float, Field(ge=0, le=1)]
    report_every_steps: _Count
    held_out_every_steps: _Count
    held_out_seed: Annotated[int, Field(ge=0)]
    held_out_animals: _Count
    held_out_pictures: _Count


def load_training_settings(path: Path) -> TrainingSettings:
    """Raises configs.reading.ConfigError for a missing or wrong file."""
    return read_toml(path, TrainingSettings)


class LabelledBatches(Protocol):
    """An endless stream of labelled pictures."""

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        """All batches from that number on."""


def run_training(
    settings: TrainingSettings,
    weights: Path,
    *,
    device: torch.device,
    report: Callable[[TrainingProgress], None],
    start: Path | None = None,
) -> HeldOutMetrics:
    """Train, measure on phantoms of the held-out seed, and write the weights with settings and figures inside.

    start : weights of the same shape to begin with instead of random ones

    Beside the weights lie the curves (.csv) and, until the run has ended, its checkpoint: called again with the same
    settings, a run that was stopped goes on from there and ends as if it had never been stopped (to the byte on a
    CPU; convolutions on GPUs are not repeatable to the bit). Raises CheckpointError for the checkpoint of another run,
    WeightsError for a start that cannot be read or is of another shape.
    """
    run = TrainingRun(settings, weights, device=device, start=start)
    taught = PhantomPictures(
        stream_settings(settings, settings.batch, settings.batches_per_render), settings.seed, device
    )
    evaluator = HeldOutEvaluator(settings, device)
    trained = run.train(taught, report, evaluator)
    calibrate_uncertainty(trained, islice(taught.batches(settings.steps), interim_batch_count(settings)))
    run.save(trained)  # first, so that nothing that follows can lose them
    figures = evaluator.evaluate(trained)
    run.save(trained, held_out=json.dumps(figures.document()))
    run.finish()
    return figures


class TrainingRun:
    """A network in training, from its beginning or its checkpoint to its weights file."""

    def __init__(
        self,
        settings: TrainingSettings,
        weights: Path,
        *,
        device: torch.device,
        start: Path | None = None,
        labels_sha256: str | None = None,
    ) -> None:
        """Reads the checkpoint, before phantoms are invented in vain. Raises CheckpointError and WeightsError."""
        weights.parent.mkdir(parents=True, exist_ok=True)
        torch.manual_seed(settings.seed)
        network = _beginning(settings, start)
        told = {"started_from": None if start is None else weights_sha256(start), "labels_sha256": labels_sha256}
        sources = {name: value for name, value in told.items() if value is not None}
        # Where memory is short a run may go on with smaller batches.
        run = settings.model_dump_json(exclude={"batch", "processes"}) + "".join(sources.values())
        self._settings, self._weights = settings, weights
        self._notes = {"settings": settings.model_dump_json(), **sources}
        self._checkpoint = Checkpoint(weights.with_suffix(".checkpoint"), run)
        kept = self._checkpoint.load(device)
        self._training = Trainer(network, _loop_settings(settings), device)
        if kept is not None:
            self._training.restore(kept)

    def train(
        self, taught: LabelledBatches, report: Callable[[TrainingProgress], None], evaluator: HeldOutEvaluator
    ) -> EggNetwork:
        """The network after the last step, with a line of the curves and a checkpoint at every report."""
        training = self._training
        curves = Curves(self._weights.with_suffix(".csv"), from_step=training.step)
        for progress in training.run(taught.batches(training.step)):
            on_the_way = progress.step % self._settings.held_out_every_steps == 0
            figures = evaluator.evaluate(training.averaged_network(), _INTERIM_PICTURES) if on_the_way else None
            curves.add(_row(progress, figures))
            self._checkpoint.save(training.state())
            report(progress)
        return training.averaged_network()

    def save(self, network: EggNetwork, **notes: str) -> None:
        """Write the weights, with what the run was told and further notes inside."""
        save_weights(network, self._weights, {**self._notes, **notes})

    def finish(self) -> None:
        """There is nothing left to go on with."""
        self._checkpoint.remove()


def _beginning(settings: TrainingSettings, start: Path | None) -> EggNetwork:
    shape = NetworkConfig(settings.widths, settings.blocks, settings.frames, settings.has_scale_channel)
    if start is None:
        return EggNetwork(shape)
    network = load_weights(start)
    if network.config != shape:
        raise WeightsError(f"{start} holds {network.config}, but the settings ask for {shape}.")
    return network.requires_grad_(True)


def calibrate_uncertainty(network: EggNetwork, pictures: Iterable[tuple[Tensor, Labels]]) -> None:
    """Bring the errors that the network states to the size of those it makes, on pictures that it was not taught.

    The likelihood fits every cell to itself; an outline is told by several cells together, and errs less.
    """
    every = measure(network, pictures).strata["all"]
    if math.isfinite(every.centre_error_ratio) and math.isfinite(every.axis_error_ratio):  # else nothing was found
        network.scale_uncertainty(centre=every.centre_error_ratio, axes=every.axis_error_ratio)


def interim_batch_count(settings: TrainingSettings) -> int:
    """How many batches it takes to look at as many pictures as are looked at on the way."""
    return max(1, _INTERIM_PICTURES // settings.batch)


class HeldOutEvaluator:
    """Pictures of phantoms that are never trained on, always the same ones, rendered when first asked for."""

    def __init__(self, settings: TrainingSettings, device: torch.device) -> None:
        self._settings, self._device = settings, device
        self._batch = min(64, settings.held_out_pictures)

    def evaluate(self, network: EggNetwork, pictures: int | None = None) -> HeldOutMetrics:
        """Figures over so many of the held-out pictures, else over all of them."""
        most = self._settings.held_out_pictures
        rounds = max(1, min(most if pictures is None else pictures, most) // self._batch)
        return measure(network, islice(self._pictures.batches(), rounds))

    @cached_property
    def _pictures(self) -> PhantomPictures:
        stream = stream_settings(self._settings, self._batch)
        stream = replace(stream, animals=self._settings.held_out_animals)
        return PhantomPictures(stream, self._settings.held_out_seed, self._device)


def stream_settings(settings: TrainingSettings, batch: int, batches_per_render: int = 1) -> StreamSettings:
    """Of the phantoms that are trained on."""
    return StreamSettings(
        animals=settings.animals,
        batch=batch,
        processes=settings.processes,
        frames=settings.frames,
        has_scale_channel=settings.has_scale_channel,
        batches_per_render=batches_per_render,
    )


def _loop_settings(settings: TrainingSettings) -> LoopSettings:
    return LoopSettings(
        steps=settings.steps,
        learning_rate=settings.learning_rate,
        warm_up_steps=settings.warm_up_steps,
        weight_decay=settings.weight_decay,
        ema_decay=settings.ema_decay,
        report_every_steps=settings.report_every_steps,
        loss=LossSettings(settings.l1_weight, settings.overlap_weight, settings.object_balance),
    )


def _row(progress: TrainingProgress, figures: HeldOutMetrics | None) -> dict[str, float]:
    """One line of the curves."""
    nothing = float("nan")
    measured = {name: getattr(figures, name, nothing) for name in ("ap50_shelled", "ap_shelled", "ap50_follicle")}
    shelled = figures.strata["shelled"] if figures else None
    return {
        "step": progress.step,
        "learning_rate": progress.learning_rate,
        **progress.losses,
        **measured,
        **{name: getattr(shelled, name, nothing) for name in ("stage_right", "centre_error_mm", "axis_error_mm")},
        "pictures_per_second": progress.pictures_per_second,
    }
