"""A network before and after it was taught, held against labels of a centre's own that neither was taught.

Which animals a network was taught stands in its weights file; their frames are left out, whatever has been added to the
labels since. Frames are judged one by one, as the detector is shown them; on phantoms, and of counts, `bench` measures
networks by data sets with truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from models.network import EggNetwork, load_weights
from models.runtime import weights_sha256
from synthetic.training.fine_tuning import taught_animals
from synthetic.training.held_out_metrics import HeldOutMetrics, measure
from synthetic.training.labelled_pictures import LabelledPictures, LabelsError

__all__ = ["AnimalLabelMetrics", "LabelMetrics", "compare_networks_on_labels", "metric_row"]

Pair = tuple[HeldOutMetrics, HeldOutMetrics]

_AT_ONCE = 32  # pictures
_TOLD = {"ap": "AP50:95", "ap50": "AP50", "recall": "recall", "precision": "precision"}


@dataclass(frozen=True)
class AnimalLabelMetrics:
    """Of one animal's frames, with either network."""

    animal: str
    before: HeldOutMetrics
    after: HeldOutMetrics


@dataclass(frozen=True)
class LabelMetrics:
    """before, after : over all frames of the animals that neither network was taught

    animals : each by itself;  trained_animals : animals of the labels that were left out;  weights : SHA-256 of both files
    """

    before: HeldOutMetrics
    after: HeldOutMetrics
    animals: tuple[AnimalLabelMetrics, ...]
    trained_animals: tuple[str, ...]
    weights: tuple[str, str]

    def document(self) -> dict[str, Any]:
        """As JSON has it: null where there is nothing to measure."""
        return {
            "weights": {"before": self.weights[0], "after": self.weights[1]},
            "taught": list(self.trained_animals),
            "before": _plain(self.before.document()),
            "after": _plain(self.after.document()),
            "animals": {
                each.animal: {"before": _plain(each.before.document()), "after": _plain(each.after.document())}
                for each in self.animals
            },
        }

    def table(self) -> str:
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        names = ", ".join(each.animal for each in self.animals)
        yield f"{self.before.pictures} frames of {len(self.animals)} animals that neither network was taught: {names}"
        if self.trained_animals:
            yield f"left out, since they were taught: {', '.join(self.trained_animals)}"
        yield f"{'':30}{'before':>8}{'after':>8}"
        for kind in ("shelled", "follicle"):
            for name, words in _TOLD.items():
                yield metric_row(
                    f"{kind}, {words}", *(getattr(each, f"{name}_{kind}") for each in (self.before, self.after))
                )
        yield metric_row("stage right", *(each.strata["all"].stage_right for each in (self.before, self.after)))
        yield "shelled AP50:95 by animal"
        for one in self.animals:
            yield metric_row(
                f"  {one.animal}, {one.before.pictures} frames", one.before.ap_shelled, one.after.ap_shelled
            )


def compare_networks_on_labels(
    labelled: LabelledPictures, before: Path, after: Path, *, device: torch.device | None = None
) -> LabelMetrics:
    """Both weights files on the same frames. Recall and precision are of detections with a score of at least 0.3.

    Raises WeightsError for a file that holds no network of single frames, LabelsError where all animals of the labels
    were taught.
    """
    device = device or torch.device("cpu")
    networks = [_network(path, device) for path in (before, after)]
    known = taught_animals(before) | taught_animals(after)
    held = [animal for animal in labelled.animals if animal not in known]
    if not held:
        raise LabelsError(
            "Every animal of these labels was taught to one of the networks, so there is none to measure by. Review "
            "and sign exams of other animals, and write the labels again."
        )

    def figures(animals: list[str]) -> Pair:
        shown = labelled.of(animals)
        one, other = (measure(network, shown.batches(_AT_ONCE, device)) for network in networks)
        return one, other

    return LabelMetrics(
        *figures(held),
        tuple(AnimalLabelMetrics(animal, *figures([animal])) for animal in held),
        tuple(animal for animal in labelled.animals if animal in known),
        (weights_sha256(before), weights_sha256(after)),
    )


def _network(path: Path, device: torch.device) -> EggNetwork:
    return load_weights(path).to(device)


def metric_row(name: str, before: float | None, after: float | None) -> str:
    """A line of a table; "none" for what is None or no number."""
    return f"{name:30}" + "".join(
        f"{'none':>8}" if value is None or not math.isfinite(value) else f"{value:8.3f}" for value in (before, after)
    )


def _plain(value: Any) -> Any:
    """The same with None for numbers that are none."""
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    return None if isinstance(value, float) and not math.isfinite(value) else value
