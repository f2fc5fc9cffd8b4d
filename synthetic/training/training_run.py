"""One training run from one settings file: phantoms, network, training log, held-out metrics, weights."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields
from functools import cached_property, partial
from itertools import islice
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol, TypeVar

import torch
from pydantic import BaseModel, ConfigDict, Field
from torch import Tensor

from configs.reading import read_toml
from models.checkpoint import Checkpoint
from models.device_group import ALONE, DeviceGroup
from models.device_processes import Reporter, run_on_devices
from models.eight_bits import finding_input_limits
from models.losses import LossSettings
from models.network import EggNetwork, load_weights, save_weights
from models.targets import Labels
from models.training import LoopSettings, Trainer, TrainingProgress
from models.weights_file import NetworkConfig, WeightsError, weights_sha256
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.omissions import PhysicsPart
from synthetic.training.training_log import TrainingLog

__all__ = [
    "HeldOutEvaluator",
    "LabelledBatches",
    "TrainingRun",
    "TrainingSettings",
    "finish_network",
    "interim_batch_count",
    "load_training_settings",
    "run_training",
    "select_settings",
]

_Count = Annotated[int, Field(ge=1)]
_Rate = Annotated[float, Field(gt=0, lt=1)]

# Held-out pictures that are measured during the training, if there are as many; that takes about as long as 20 steps.
_INTERIM_PICTURES = 512
# Held-out pictures per batch, which only memory limits.
_HELD_OUT_BATCH = 64

_Part = TypeVar("_Part", NetworkConfig, LoopSettings, LossSettings, StreamSettings)


class TrainingSettings(BaseModel):
    """``configs/training.toml``, where a comment beside every value explains it.

    side_px, frames, left_out : only changed by studies, see StreamSettings; the shipped programs take 256 px, one frame
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    seed: Annotated[int, Field(ge=0)]
    steps: _Count
    batch: _Count
    batches_per_render: _Count
    animals: _Count
    processes: _Count
    widths: tuple[_Count, _Count, _Count, _Count, _Count]
    blocks: tuple[_Count, _Count, _Count, _Count, _Count]
    learning_rate: _Rate
    warm_up_steps: _Count
    weight_decay: Annotated[float, Field(ge=0, lt=1)]
    ema_decay: _Rate
    l1_weight: Annotated[float, Field(ge=0)]
    overlap_weight: Annotated[float, Field(ge=0)]
    object_balance: Annotated[float, Field(ge=0, le=1)]
    imitation_weight: Annotated[float, Field(ge=0)] = 0.0
    side_px: Annotated[int, Field(ge=64, multiple_of=32)] = 256
    frames: Literal[1, 3] = 1
    left_out: tuple[PhysicsPart, ...] = ()
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
    devices: Sequence[torch.device],
    report: Callable[[TrainingProgress], None],
    start: Path | None = None,
    teacher: Path | None = None,
) -> HeldOutMetrics:
    """Train, measure on phantoms of the held-out seed, and write the weights with settings and metrics inside.

    devices : each renders its share of every batch and trains on it, in a process of its own if there are several
    start : weights of the same shape to start from instead of random ones
    teacher : weights of any shape whose answers are imitated beside the labels

    The training log (.csv) is written beside the weights. The checkpoint is there too until the run has ended: called
    again with the same settings, a stopped run continues from it and gives the same result as one that was never
    stopped (to the byte on CPUs; convolutions on GPUs are not repeatable to the bit). It may continue on another number
    of devices: batches and learning rates stay what the settings say, but the pictures are others, and so is the
    result. Raises CheckpointError for the checkpoint of another run, WeightsError for start weights that cannot be read
    or have another shape, and DeviceError if the process of a device is gone.
    """
    task = partial(_train_and_measure, settings, weights, start, teacher)
    return run_on_devices(task, devices[: settings.batch], report)


def _train_and_measure(
    settings: TrainingSettings,
    weights: Path,
    start: Path | None,
    teacher: Path | None,
    group: DeviceGroup,
    device: torch.device,
    report: Reporter,
) -> HeldOutMetrics | None:
    """What each device does. The first one measures the network and writes the files."""
    run = TrainingRun(settings, weights, device=device, start=start, teacher=teacher, group=group)
    phantoms = PhantomPictures(select_settings(StreamSettings, settings), settings.seed, device, group)
    evaluator = HeldOutEvaluator(settings, device)
    trained = run.train(phantoms, report, evaluator)
    if group.rank > 0:
        return None
    batches = interim_batch_count(settings, group)
    finish_network(trained, islice(phantoms.batches(settings.steps), batches))
    run.save(trained)  # first, so that no failure of the evaluation can lose them
    metrics = evaluator.evaluate(trained)
    run.save(trained, held_out=json.dumps(metrics.document()))
    run.finish()
    return metrics


class TrainingRun:
    """A network in training, from its start or its checkpoint to its weights file."""

    def __init__(
        self,
        settings: TrainingSettings,
        weights: Path,
        *,
        device: torch.device,
        start: Path | None = None,
        teacher: Path | None = None,
        labels_sha256: str | None = None,
        group: DeviceGroup = ALONE,
    ) -> None:
        """Reads the checkpoint first, before any time is spent on phantoms. Raises CheckpointError and WeightsError."""
        weights.parent.mkdir(parents=True, exist_ok=True)
        torch.manual_seed(settings.seed)
        network = _initial_network(settings, start)
        sources = {}
        if start is not None:
            sources["started_from"] = weights_sha256(start)
        if teacher is not None:
            sources["taught_by"] = weights_sha256(teacher)
        if labels_sha256 is not None:
            sources["labels_sha256"] = labels_sha256
        # If memory is short, a run may continue with smaller batches.
        run = settings.model_dump_json(exclude={"batch", "processes"}) + "".join(sources.values())
        self._settings, self._weights, self._group = settings, weights, group
        self._notes = {"settings": settings.model_dump_json(), **sources}
        self._checkpoint = Checkpoint(weights.with_suffix(".checkpoint"), run)
        state = self._checkpoint.load(device)
        loop = select_settings(LoopSettings, settings, loss=select_settings(LossSettings, settings))
        self._trainer = Trainer(network, loop, device, None if teacher is None else load_weights(teacher), group)
        if state is not None:
            self._trainer.restore(state)

    def train(
        self, batches: LabelledBatches, report: Callable[[TrainingProgress], None], evaluator: HeldOutEvaluator
    ) -> EggNetwork:
        """The network after the last step. Every report adds a line to the log and replaces the checkpoint.

        Of several devices the first one does that, while the others render their next pictures.
        """
        trainer = self._trainer
        reports = trainer.run(batches.batches(trainer.step))
        if self._group.rank > 0:
            for _ in reports:
                pass
            return trainer.averaged_network()
        log = TrainingLog(self._weights.with_suffix(".csv"), from_step=trainer.step)
        for progress in reports:
            is_evaluated = progress.step % self._settings.held_out_every_steps == 0
            metrics = evaluator.evaluate(trainer.averaged_network(), _INTERIM_PICTURES) if is_evaluated else None
            log.add(_log_row(progress, metrics))
            self._checkpoint.save(trainer.state())
            report(progress)
        return trainer.averaged_network()

    def save(self, network: EggNetwork, **notes: str) -> None:
        """Write the weights with the settings, their origin and further notes inside."""
        save_weights(network, self._weights, {**self._notes, **notes})

    def finish(self) -> None:
        """Remove the checkpoint: the run is complete."""
        self._checkpoint.remove()


def _initial_network(settings: TrainingSettings, start: Path | None) -> EggNetwork:
    config = select_settings(NetworkConfig, settings)
    if start is None:
        return EggNetwork(config)
    network = load_weights(start)
    if network.config != config:
        raise WeightsError(f"{start} holds {network.config}, but the settings ask for {config}. Change one of them.")
    return network.requires_grad_(True)


def finish_network(network: EggNetwork, pictures: Iterable[tuple[Tensor, Labels]]) -> None:
    """Make a trained network ready for use, with pictures it was not trained on.

    The errors that it predicts are scaled to the size of its real errors: the loss fits the uncertainty of single
    cells, but an outline is the mean of several cells and has smaller errors. Its limits are found with which it can
    be computed in 8 bits.
    """
    with finding_input_limits(network):
        overall = measure(network, pictures).strata["all"]
    if math.isfinite(overall.centre_error_ratio) and math.isfinite(overall.axis_error_ratio):  # else nothing was found
        network.scale_uncertainty(centre=overall.centre_error_ratio, axes=overall.axis_error_ratio)


def interim_batch_count(settings: TrainingSettings, group: DeviceGroup = ALONE) -> int:
    """The number of a device's batches that hold as many pictures as are measured during the training."""
    return max(1, min(_INTERIM_PICTURES, settings.held_out_pictures) // group.share(settings.batch))


class HeldOutEvaluator:
    """Measures networks on phantoms that are never trained on: always the same pictures, rendered on first use."""

    def __init__(self, settings: TrainingSettings, device: torch.device) -> None:
        self._settings, self._device = settings, device
        self._batch = min(_HELD_OUT_BATCH, settings.held_out_pictures)

    def evaluate(self, network: EggNetwork, pictures: int | None = None) -> HeldOutMetrics:
        """Metrics over that many of the held-out pictures, by default over all of them."""
        most = self._settings.held_out_pictures
        rounds = max(1, min(most if pictures is None else pictures, most) // self._batch)
        return measure(network, islice(self._pictures.batches(), rounds))

    @cached_property
    def _pictures(self) -> PhantomPictures:
        settings = self._settings
        stream = select_settings(
            StreamSettings,
            settings,
            animals=settings.held_out_animals,
            batch=self._batch,
            batches_per_render=1,
            left_out=(),  # whatever a network was trained on, it is measured with all of the physics
        )
        return PhantomPictures(stream, settings.held_out_seed, self._device)


def select_settings(kind: type[_Part], settings: TrainingSettings, **changes: Any) -> _Part:
    """An instance of the dataclass ``kind`` from the settings of the same names, with ``changes`` to some of them."""
    names = {field.name for field in fields(kind)}
    return kind(**{name: value for name, value in settings if name in names} | changes)


def _log_row(progress: TrainingProgress, metrics: HeldOutMetrics | None) -> dict[str, float]:
    """One line of the training log; NaN where nothing was measured."""
    nothing = float("nan")
    shelled = metrics.strata["shelled"] if metrics else None
    overall_names = ("ap50_shelled", "ap_shelled", "ap50_follicle")
    shelled_names = ("stage_right", "centre_error_mm", "axis_error_mm")
    return {
        "step": progress.step,
        "learning_rate": progress.learning_rate,
        **progress.losses,
        **{name: getattr(metrics, name, nothing) for name in overall_names},
        **{name: getattr(shelled, name, nothing) for name in shelled_names},
        "pictures_per_second": progress.pictures_per_second,
    }
