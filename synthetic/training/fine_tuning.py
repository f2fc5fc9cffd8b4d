"""Fine-tuning: a trained network is trained further on the labels of one centre, together with phantoms.

Phantoms stay in the batches so that the network does not forget what the few labels do not show. Some of the labelled
animals are held back. The network is measured before and after on them and on held-out phantoms.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import torch
from pydantic import Field
from safetensors import safe_open
from torch import Tensor
from torch.nn.functional import pad

from configs.reading import read_toml
from models.device_group import ALONE, DeviceGroup
from models.device_processes import Reporter, run_on_devices
from models.network import load_weights
from models.targets import Labels, Role
from models.training import TrainingProgress
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.labelled_pictures import LabelledPictures, LabelledStream, hold_back
from synthetic.training.training_run import (
    HeldOutEvaluator,
    TrainingRun,
    TrainingSettings,
    finish_network,
    interim_batch_count,
    select_settings,
)

__all__ = [
    "FineTuningResult",
    "FineTuningSettings",
    "MixedBatches",
    "load_fine_tuning_settings",
    "run_fine_tuning",
    "taught_animals",
]

_HELD_BACK_BATCH = 64  # pictures measured at once, which only memory limits


class FineTuningSettings(TrainingSettings):
    """``configs/fine_tuning.toml``, where a comment beside every value explains it."""

    phantom_share: Annotated[float, Field(ge=0, lt=1)]
    held_back_share: Annotated[float, Field(gt=0, lt=1)]
    max_frames_per_clip: Annotated[int, Field(ge=1)]
    max_precision_drop: Annotated[float, Field(ge=0, le=1)]

    @property
    def pictures_by_kind(self) -> tuple[int, int]:
        """Phantoms and labelled pictures in every batch."""
        phantoms = round(self.phantom_share * self.batch)
        return phantoms, self.batch - phantoms


@dataclass(frozen=True)
class FineTuningResult:
    """Metrics of the network before and after, on held-back labels and on held-out phantoms.

    animals : names of those held back;  max_precision_drop : largest accepted loss of average precision on phantoms
    is_written : whether the new weights are written
    """

    animals: tuple[str, ...]
    labels: tuple[HeldOutMetrics, HeldOutMetrics]
    phantoms: tuple[HeldOutMetrics, HeldOutMetrics]
    max_precision_drop: float
    is_written: bool = False

    @property
    def is_worse(self) -> bool:
        """Average precision fell on the labels by any amount, or on phantoms by more than max_precision_drop."""
        on_labels, on_phantoms = (after - before for before, after in map(_precisions, (self.labels, self.phantoms)))
        return on_labels < 0 or on_phantoms < -self.max_precision_drop

    def document(self) -> dict[str, Any]:
        pairs = {"held_back_labels": self.labels, "held_out_phantoms": self.phantoms}
        metrics = {name: {"before": one.document(), "after": two.document()} for name, (one, two) in pairs.items()}
        return {"animals": list(self.animals), "is_worse": self.is_worse, "is_written": self.is_written, **metrics}

    def lines(self) -> list[str]:
        """For people: the data measured on, and average precision before and after."""
        held = f"held-back labels ({', '.join(self.animals)})"
        lines = ["COCO average precision at overlaps of 0.50 to 0.95"]
        for name, pair in ((held, self.labels), ("held-out phantoms", self.phantoms)):
            before, after = _precisions(pair)
            lines.append(f"{name}, {pair[0].pictures} pictures: {before:.3f} before, {after:.3f} after")
            for kind in ("shelled", "follicle"):
                one, two = (getattr(figures, f"ap_{kind}") for figures in pair)
                lines.append(f"    {kind}: " + (f"{one:.3f}, {two:.3f}" if math.isfinite(one) else "no objects"))
        return lines


def load_fine_tuning_settings(path: Path) -> FineTuningSettings:
    """Raises configs.reading.ConfigError for a missing or wrong file."""
    return read_toml(path, FineTuningSettings)


def run_fine_tuning(
    settings: FineTuningSettings,
    weights: Path,
    *,
    start: Path,
    labelled: LabelledPictures,
    devices: Sequence[torch.device],
    report: Callable[[TrainingProgress], None],
    allow_regression: bool = False,
) -> FineTuningResult:
    """Train the network of ``start`` further and write it, with the metrics inside, unless it has become worse.

    If it has, ``weights`` is not overwritten and the checkpoint stays: called again with ``allow_regression``, the run
    only measures and writes the network that is already trained. devices : as in run_training. Raises LabelsError for
    too few animals, and the errors of run_training.
    """
    task = partial(_fine_tune_and_measure, settings, weights, start, labelled, allow_regression)
    # Each device has a picture of each kind in every batch.
    fewest = min(number for number in settings.pictures_by_kind if number > 0)
    return run_on_devices(task, devices[:fewest], report)


def _fine_tune_and_measure(
    settings: FineTuningSettings,
    weights: Path,
    start: Path,
    labelled: LabelledPictures,
    allow_regression: bool,
    group: DeviceGroup,
    device: torch.device,
    report: Reporter,
) -> FineTuningResult | None:
    """What each device does. The first one measures the network and writes the files."""
    run = TrainingRun(settings, weights, device=device, start=start, labels_sha256=labelled.sha256, group=group)
    taught, held = hold_back(labelled, settings.held_back_share, np.random.default_rng(settings.held_out_seed))
    before = load_weights(start).to(device)
    batches = MixedBatches(settings, labelled.of(taught), device, group)
    evaluator = HeldOutEvaluator(settings, device)
    trained = run.train(batches, report, evaluator)
    if group.rank > 0:
        return None
    # On phantoms only, since errors on labels that were trained on are smaller than on new ones.
    finish_network(trained, batches.calibration_batches(interim_batch_count(settings, group)))
    held_back = labelled.of(held)
    on_labels = [measure(network, held_back.batches(_HELD_BACK_BATCH, device)) for network in (before, trained)]
    result = FineTuningResult(
        animals=tuple(held_back.animals),
        labels=(on_labels[0], on_labels[1]),
        phantoms=(evaluator.evaluate(before), evaluator.evaluate(trained)),
        max_precision_drop=settings.max_precision_drop,
    )
    if result.is_worse and not allow_regression:
        return result
    written = replace(result, is_written=True)
    run.save(
        trained,
        held_out=json.dumps(written.phantoms[1].document()),
        change=json.dumps(written.document()),
        taught_animals=json.dumps(sorted(taught | taught_animals(start))),
    )
    run.finish()
    return written


def taught_animals(weights: Path) -> set[str]:
    """The animals whose labels a network was trained on, in its last fine-tuning or in any earlier one."""
    with safe_open(weights, framework="pt") as stored:
        return set(json.loads((stored.metadata() or {}).get("taught_animals", "[]")))


class MixedBatches:
    """Batches of phantoms and labelled pictures; in each batch the phantoms come first."""

    def __init__(
        self,
        settings: FineTuningSettings,
        labelled: LabelledPictures,
        device: torch.device,
        group: DeviceGroup = ALONE,
    ) -> None:
        self._phantom_count, labelled_count = settings.pictures_by_kind
        self._steps = settings.steps
        # Calibration needs phantoms even if none are mixed in: at least one per batch is drawn.
        stream = select_settings(StreamSettings, settings, batch=max(1, self._phantom_count))
        self._phantoms = PhantomPictures(stream, settings.seed, device, group)
        self._labelled = LabelledStream(labelled, labelled_count, settings.seed, device, group)

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        return map(self._batch, count(first))

    def calibration_batches(self, number: int) -> Iterator[tuple[Tensor, Labels]]:
        """The batches of phantoms that follow those of the last step."""
        return map(self._phantoms.batch, range(self._steps, self._steps + number))

    def _batch(self, number: int) -> tuple[Tensor, Labels]:
        labelled = self._labelled.batch(number)
        return _concatenated(self._phantoms.batch(number), labelled) if self._phantom_count else labelled


def _concatenated(first: tuple[Tensor, Labels], second: tuple[Tensor, Labels]) -> tuple[Tensor, Labels]:
    """One batch from two; the labels are padded with empty rows to the larger number of objects."""
    objects = max(first[1].role.shape[1], second[1].role.shape[1])

    def both(name: str) -> Tensor:
        parts = [getattr(labels, name) for _, labels in (first, second)]
        if name == "mm_per_px":
            return torch.cat(parts)
        # The axes of empty rows have no meaning, but need logarithms.
        filler = {"ellipses": 1, "role": Role.EMPTY}.get(name, 0)
        within_row = (0, 0) if name == "ellipses" else ()
        return torch.cat([pad(part, (*within_row, 0, objects - part.shape[1]), value=filler) for part in parts])

    return torch.cat([first[0], second[0]]), Labels(**{field.name: both(field.name) for field in fields(Labels)})


def _precisions(pair: tuple[HeldOutMetrics, HeldOutMetrics]) -> tuple[float, float]:
    """Average precision before and after, mean over the kinds that are present; NaN if there are none."""
    before, after = (
        float(np.mean([value for value in (each.ap_shelled, each.ap_follicle) if math.isfinite(value)] or [math.nan]))
        for each in pair
    )
    return before, after
