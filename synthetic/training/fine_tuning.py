"""A trained network taught further, by what people answered for at one centre, together with phantoms.

Phantoms stay in so that the network does not forget what the few labels do not show. Part of the labelled animals is
held back and never taught: by them, and by held-out phantoms, the network is measured before and after.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from itertools import count
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import torch
from pydantic import Field
from safetensors import safe_open
from torch import Tensor
from torch.nn.functional import pad

from configs.reading import read_toml
from models.network import load_weights
from models.targets import Labels
from models.training import TrainingProgress
from synthetic.training.dataset import PhantomPictures
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.labelled_pictures import LabelledPictures, LabelledStream, hold_back
from synthetic.training.training_run import (
    HeldOutEvaluator,
    TrainingRun,
    TrainingSettings,
    calibrate_uncertainty,
    interim_batch_count,
    stream_settings,
)

__all__ = [
    "FineTuningResult",
    "FineTuningSettings",
    "MixedBatches",
    "load_fine_tuning_settings",
    "run_fine_tuning",
    "taught_animals",
]

_AT_ONCE = 64  # held-back pictures


class FineTuningSettings(TrainingSettings):
    """``configs/training_labels.toml``, where every value has its meaning beside it."""

    frames: Literal[1]  # labels are of single frames
    has_scale_channel: Literal[False]
    phantom_share: Annotated[float, Field(ge=0, lt=1)]
    held_back_share: Annotated[float, Field(gt=0, lt=1)]
    max_frames_per_clip: Annotated[int, Field(ge=1)]
    max_precision_drop: Annotated[float, Field(ge=0, le=1)]


@dataclass(frozen=True)
class FineTuningResult:
    """Figures of the network before and after, on held-back labels and on held-out phantoms.

    animals : held back, by name;  max_precision_drop : of average precision, on phantoms;  is_written : the new weights
    """

    animals: tuple[str, ...]
    labels: tuple[HeldOutMetrics, HeldOutMetrics]
    phantoms: tuple[HeldOutMetrics, HeldOutMetrics]
    max_precision_drop: float
    is_written: bool = False

    @property
    def is_worse(self) -> bool:
        """Less precise on the labels at all, or on phantoms by more than is allowed."""
        gained, kept = (after - before for before, after in map(_precisions, (self.labels, self.phantoms)))
        return gained < 0 or kept < -self.max_precision_drop

    def document(self) -> dict[str, Any]:
        pairs = {"held_back_labels": self.labels, "held_out_phantoms": self.phantoms}
        told = {name: {"before": one.document(), "after": two.document()} for name, (one, two) in pairs.items()}
        return {"animals": list(self.animals), "is_worse": self.is_worse, "is_written": self.is_written, **told}

    def lines(self) -> list[str]:
        """For people: what was measured on, and average precision before and after."""
        held = f"held-back labels ({', '.join(self.animals)})"
        lines = ["COCO average precision at overlaps of 0.50 to 0.95"]
        for name, pair in ((held, self.labels), ("held-out phantoms", self.phantoms)):
            before, after = _precisions(pair)
            lines.append(f"{name}, {pair[0].pictures} pictures: {before:.3f} before, {after:.3f} after")
            for kind in ("shelled", "follicle"):
                one, two = (getattr(figures, f"ap_{kind}") for figures in pair)
                lines.append(f"    {kind}: " + (f"{one:.3f}, {two:.3f}" if math.isfinite(one) else "none there"))
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
    device: torch.device,
    report: Callable[[TrainingProgress], None],
    allow_regression: bool = False,
) -> FineTuningResult:
    """Teach the network of ``start`` further, and write it, with the figures inside, unless it has become worse.

    If it has, nothing is written over ``weights`` and the checkpoint stays: called again with ``allow_regression``, the
    run measures and writes what it has trained already. Raises LabelsError for too few animals, and as run_training.
    """
    run = TrainingRun(settings, weights, device=device, start=start, labels_sha256=labelled.sha256)
    taught, held = hold_back(labelled, settings.held_back_share, np.random.default_rng(settings.held_out_seed))
    before = load_weights(start).to(device)
    mixture = MixedBatches(settings, labelled.of(taught), device)
    evaluator = HeldOutEvaluator(settings, device)
    trained = run.train(mixture, report, evaluator)
    # On phantoms alone, since labels that were taught show smaller errors than others will.
    calibrate_uncertainty(trained, mixture.calibration_batches(interim_batch_count(settings)))
    kept = labelled.of(held)
    change = FineTuningResult(
        tuple(kept.animals),
        (measure(before, kept.batches(_AT_ONCE, device)), measure(trained, kept.batches(_AT_ONCE, device))),
        (evaluator.evaluate(before), evaluator.evaluate(trained)),
        settings.max_precision_drop,
    )
    if change.is_worse and not allow_regression:
        return change
    written = FineTuningResult(
        change.animals, change.labels, change.phantoms, change.max_precision_drop, is_written=True
    )
    run.save(
        trained,
        held_out=json.dumps(change.phantoms[1].document()),
        change=json.dumps(written.document()),
        taught_animals=json.dumps(sorted(taught | taught_animals(start))),
    )
    run.finish()
    return written


def taught_animals(weights: Path) -> set[str]:
    """The animals whose labels a network was taught, by itself or before it was taught further."""
    with safe_open(weights, framework="pt") as stored:
        return set(json.loads((stored.metadata() or {}).get("taught_animals", "[]")))


class MixedBatches:
    """Batches of phantoms and labelled pictures, the phantoms first."""

    def __init__(self, settings: FineTuningSettings, labelled: LabelledPictures, device: torch.device) -> None:
        self._number = round(settings.phantom_share * settings.batch)
        self._steps = settings.steps
        # Where none are mixed in, one is drawn all the same for those that calibrate.
        stream = stream_settings(settings, max(1, self._number), settings.batches_per_render)
        self._phantoms = PhantomPictures(stream, settings.seed, device)
        self._labelled = LabelledStream(labelled, settings.batch - self._number, settings.seed, device)

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        return map(self._batch, count(first))

    def calibration_batches(self, rounds: int) -> Iterator[tuple[Tensor, Labels]]:
        """The batches of phantoms that come after the last step."""
        return map(self._phantoms.batch, range(self._steps, self._steps + rounds))

    def _batch(self, number: int) -> tuple[Tensor, Labels]:
        labelled = self._labelled.batch(number)
        return _joined(self._phantoms.batch(number), labelled) if self._number else labelled


def _joined(first: tuple[Tensor, Labels], second: tuple[Tensor, Labels]) -> tuple[Tensor, Labels]:
    """One batch of two, with as many rows of labels as the longer list has."""
    most = max(first[1].role.shape[1], second[1].role.shape[1])

    def both(name: str) -> Tensor:
        parts = [getattr(labels, name) for _, labels in (first, second)]
        if name == "mm_per_px":
            return torch.cat(parts)
        # Empty rows have role 0; their axes are of no matter, but must have logarithms.
        filler = 1 if name == "ellipses" else 0
        beside = (0, 0) if name == "ellipses" else ()
        return torch.cat([pad(part, (*beside, 0, most - part.shape[1]), value=filler) for part in parts])

    return torch.cat([first[0], second[0]]), Labels(**{field.name: both(field.name) for field in fields(Labels)})


def _precisions(pair: tuple[HeldOutMetrics, HeldOutMetrics]) -> tuple[float, float]:
    """Average precision of both, mean over the kinds that are there; NaN where there are none."""
    before, after = (
        float(np.mean([value for value in (each.ap_shelled, each.ap_follicle) if math.isfinite(value)] or [math.nan]))
        for each in pair
    )
    return before, after
