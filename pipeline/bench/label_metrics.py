"""Compares a network before and after fine-tuning, on a centre's labels of animals that neither was trained on.

A weights file lists the animals on which its network was trained. Their frames are left out, including frames that were
added to the labels later. Each frame is evaluated by itself, as the detector sees it. Counts are measured on data sets
with ground truth instead (`pipeline.bench.data_set_metrics`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from models.evaluation_thresholds import SCORE_THRESHOLD
from models.network import EggNetwork, load_weights
from models.weights_file import weights_sha256
from synthetic.training.fine_tuning import taught_animals
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.labelled_pictures import LabelledPictures, LabelsError

__all__ = ["AnimalLabelMetrics", "LabelMetrics", "compare_networks_on_labels", "metric_row"]

_BATCH = 32  # pictures
_METRIC_NAMES = {"ap": "AP50:95", "ap50": "AP50", "recall": "recall", "precision": "precision"}


@dataclass(frozen=True)
class AnimalLabelMetrics:
    """The metrics of both networks on the frames of one animal."""

    animal: str
    before: HeldOutMetrics
    after: HeldOutMetrics


@dataclass(frozen=True)
class LabelMetrics:
    """The metrics of both networks.

    before, after : over all frames of the animals on which neither network was trained
    animals : the same for each animal;  trained_animals : animals of the labels that were left out
    weights : SHA-256 of both files
    """

    before: HeldOutMetrics
    after: HeldOutMetrics
    animals: tuple[AnimalLabelMetrics, ...]
    trained_animals: tuple[str, ...]
    weights: tuple[str, str]

    def document(self) -> dict[str, Any]:
        """All metrics in types of JSON, with null where there is nothing to measure."""
        return {
            "weights": {"before": self.weights[0], "after": self.weights[1]},
            "trained_animals": list(self.trained_animals),
            "before": _without_nan(self.before.document()),
            "after": _without_nan(self.after.document()),
            "animals": {
                each.animal: {
                    "before": _without_nan(each.before.document()),
                    "after": _without_nan(each.after.document()),
                }
                for each in self.animals
            },
        }

    def table(self) -> str:
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        names = ", ".join(each.animal for each in self.animals)
        frames = f"{self.before.pictures} frames of {len(self.animals)} animals"
        yield f"{frames} on which neither network was trained: {names}"
        if self.trained_animals:
            yield f"left out, because a network was trained on them: {', '.join(self.trained_animals)}"
        yield f"{'':30}{'before':>8}{'after':>8}"
        for kind in ("shelled", "follicle"):
            for name, label in _METRIC_NAMES.items():
                yield metric_row(
                    f"{kind}, {label}", *(getattr(each, f"{name}_{kind}") for each in (self.before, self.after))
                )
        yield metric_row("stage right", *(each.strata["all"].stage_right for each in (self.before, self.after)))
        yield f"recall, precision and stage right: of detections with a score of at least {SCORE_THRESHOLD:g}"
        yield "shelled AP50:95 by animal"
        for one in self.animals:
            yield metric_row(
                f"  {one.animal}, {one.before.pictures} frames", one.before.ap_shelled, one.after.ap_shelled
            )


def compare_networks_on_labels(
    labelled: LabelledPictures, before: Path, after: Path, *, device: torch.device | None = None
) -> LabelMetrics:
    """Compare two weights files on the same frames.

    Raises WeightsError for a file that does not hold a network of single frames, and LabelsError if a network was
    trained on every animal of the labels.
    """
    device = device or torch.device("cpu")
    networks = [_network(path, device) for path in (before, after)]
    trained = taught_animals(before) | taught_animals(after)
    held_out = [animal for animal in labelled.animals if animal not in trained]
    if not held_out:
        raise LabelsError(
            "One of the networks was trained on every animal of these labels, so no animal is left to measure. Review "
            "and sign exams of other animals, and write the labels again."
        )

    def measure_both(animals: list[str]) -> tuple[HeldOutMetrics, HeldOutMetrics]:
        chosen = labelled.of(animals)
        metrics_before, metrics_after = (measure(network, chosen.batches(_BATCH, device)) for network in networks)
        return metrics_before, metrics_after

    return LabelMetrics(
        *measure_both(held_out),
        tuple(AnimalLabelMetrics(animal, *measure_both([animal])) for animal in held_out),
        tuple(animal for animal in labelled.animals if animal in trained),
        (weights_sha256(before), weights_sha256(after)),
    )


def _network(path: Path, device: torch.device) -> EggNetwork:
    return load_weights(path).to(device)


def metric_row(name: str, before: float | None, after: float | None) -> str:
    """A line of a table, with "none" for None and NaN."""
    return f"{name:30}" + "".join(
        f"{'none':>8}" if value is None or not math.isfinite(value) else f"{value:8.3f}" for value in (before, after)
    )


def _without_nan(value: Any) -> Any:
    """The same value with None in place of NaN and infinity."""
    if isinstance(value, dict):
        return {key: _without_nan(each) for key, each in value.items()}
    return None if isinstance(value, float) and not math.isfinite(value) else value
