"""Trains and measures the networks of a study that are not there yet, in one process or in several at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.store.atomic_write import write_atomically
from pipeline.store.folder_lock import LockedError, hold_folder_lock
from pipeline.studies.definition import Study, StudyRun
from pipeline.studies.network_cost import NetworkCost

__all__ = ["FIGURES", "RunResult", "Trainer", "run_study", "study_document", "weights_of_run"]

FIGURES = ("ap50_shelled", "ap_shelled", "recall_shelled", "precision_shelled", "ap50_follicle", "ap_follicle")
"""Of the held-out metrics, those that are shown."""

_LOCKS = ".running"  # folder with a lock for each run

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
) -> list[RunResult] | None:
    """The results of all runs, in order; None if another process on the same folder is still at work on one.

    Called again, it goes on with the first run that has no result and that no other process works on. A run that was
    stopped goes on from its checkpoint, if ``train`` does. started : called with the number of the run, from 1, before
    it is trained

    Raises OutputError and what ``train`` raises.
    """
    # Another process may have stopped at a run that was passed over, so all are looked at until none can be begun.
    while any([_train_if_free(number, run, out, train, started) for number, run in enumerate(study.runs, 1)]):
        pass
    results = []
    for run in study.runs:
        known = _read(out, run)
        if known is None:
            return None
        results.append(RunResult(run.variant, run.seed, known["figures"], known["weights_sha256"]))
    return results


def weights_of_run(out: Path, run: StudyRun) -> Path:
    """The file of its network."""
    return out / f"{run.name}.safetensors"


def _train_if_free(
    number: int, run: StudyRun, out: Path, train: Trainer, started: Callable[[int, StudyRun], None]
) -> bool:
    """Train a run that has no result and that no other process works on. Returns whether that was done."""
    if _read(out, run) is not None:
        return False
    try:
        with hold_folder_lock(out / _LOCKS / run.name):
            if _read(out, run) is not None:  # it was finished meanwhile
                return False
            started(number, run)
            weights = weights_of_run(out, run)
            metrics = train(run, weights)
            result = {
                "settings": run.settings.model_dump(mode="json"),
                "weights_sha256": hashlib.sha256(weights.read_bytes()).hexdigest(),
                "figures": {name: _known(metrics[name]) for name in FIGURES},
            }
            write_atomically(out / f"{run.name}.json", [json.dumps(result, indent=2).encode(), b"\n"])
    except LockedError:
        return False
    return True


def study_document(study: Study, results: Sequence[RunResult], costs: Sequence[NetworkCost]) -> dict[str, Any]:
    """Definition, and results with the cost of each network, in types of JSON."""
    return {
        "name": study.name,
        **study.definition.model_dump(mode="json"),
        "gpu_minutes": round(study.gpu_minutes),
        "results": [{**vars(each), "cost": vars(cost)} for each, cost in zip(results, costs, strict=True)],
    }


def _read(out: Path, run: StudyRun) -> dict[str, Any] | None:
    """The result of the same settings, None where there is none."""
    path = out / f"{run.name}.json"
    if not path.exists():
        return None
    known: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return known if known["settings"] == run.settings.model_dump(mode="json") else None


def _known(value: float) -> float | None:
    return None if value != value else round(float(value), 5)
