"""Trains and measures the networks of a study that are not there yet."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.store.atomic_write import write_atomically
from pipeline.studies.definition import Study, StudyRun

__all__ = ["FIGURES", "RunResult", "run_study", "study_document"]

FIGURES = ("ap50_shelled", "ap_shelled", "recall_shelled", "precision_shelled", "ap50_follicle", "ap_follicle")
"""Of the held-out metrics, those that are shown."""

# Trains the network of one run into a file, and gives its held-out metrics.
Trainer = Callable[[StudyRun, Path], Mapping[str, Any]]


@dataclass(frozen=True)
class RunResult:
    """What came of one run. figures : held-out metrics by name;  weights_sha256 : of the network"""

    variant: str
    seed: int
    figures: Mapping[str, float | None]
    weights_sha256: str


def run_study(
    study: Study, out: Path, train: Trainer, started: Callable[[int, StudyRun], None] = lambda number, run: None
) -> list[RunResult]:
    """The results of all runs, in order. Called again, it goes on with the first run that has no result.

    A run that was stopped goes on from its checkpoint, if ``train`` does. started : called with the number of the run,
    from 1, before it is trained

    Raises OutputError and what ``train`` raises.
    """
    results = []
    for number, run in enumerate(study.runs, 1):
        weights, written = out / f"{run.name}.safetensors", out / f"{run.name}.json"
        known = _read(written, run)
        if known is None:
            started(number, run)
            out.mkdir(parents=True, exist_ok=True)
            metrics = train(run, weights)
            known = {
                "settings": run.settings.model_dump(mode="json"),
                "weights_sha256": hashlib.sha256(weights.read_bytes()).hexdigest(),
                "figures": {name: _known(metrics[name]) for name in FIGURES},
            }
            write_atomically(written, [json.dumps(known, indent=2).encode(), b"\n"])
        results.append(RunResult(run.variant, run.seed, known["figures"], known["weights_sha256"]))
    return results


def study_document(study: Study, results: list[RunResult]) -> dict[str, Any]:
    """Definition and results in types of JSON."""
    return {
        "name": study.name,
        **study.definition.model_dump(mode="json"),
        "gpu_minutes": round(study.gpu_minutes),
        "results": [vars(each) for each in results],
    }


def _read(path: Path, run: StudyRun) -> dict[str, Any] | None:
    """The result of the same settings, None where there is none."""
    if not path.exists():
        return None
    known: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return known if known["settings"] == run.settings.model_dump(mode="json") else None


def _known(value: float) -> float | None:
    return None if value != value else round(float(value), 5)
