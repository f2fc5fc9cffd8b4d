"""Methods of anybody's as commands run them: tuned, with progress on stderr, and with all they give in files."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.bench.ground_truth import DataSet
    from pipeline.bench.methods.method import Method
    from pipeline.bench.results.method_results import MethodResults
    from pipeline.settings import Settings

__all__ = [
    "MethodRun",
    "MethodTuning",
    "Tries",
    "TuningFrames",
    "TuningSet",
    "holds_method_runs",
    "method_runs",
    "run_method_with_progress",
    "run_methods",
]

TuningSet = Annotated[
    Path | None,
    typer.Option(
        "--tune-on", metavar="DATASET", help="Tune the methods on this other data set; else they run as they are."
    ),
]
Tries = Annotated[int, typer.Option("--tries", min=1, help="Settings that each method may try.")]
TuningFrames = Annotated[
    int, typer.Option("--tuning-frames", min=1, help="Frames of the tuning set, evenly spaced in its clips.")
]

_INDEX = "methods.json"  # what was run: written last, so that it never names what is not there


@dataclass(frozen=True)
class MethodTuning:
    """How methods are tuned: as `pipeline.bench.methods.tuning`. data_set : None for not at all"""

    data_set: Path | None
    tries: int
    frames: int
    seed: int


@dataclass(frozen=True)
class MethodRun:
    """A method that was run. name : in tables;  learned_from : a phrase, "" for nothing
    settings : of it, and how they were chosen;  detections : COCO results
    """

    name: str
    learned_from: str
    settings: dict[str, Any]
    detections: Path


def run_method_with_progress(
    data_set: DataSet, method: Method, folder: Path, settings: Settings, *, quiet: bool
) -> MethodResults:
    """`pipeline.bench.methods.run_method.run_method`, and its results read back from ``folder/detections.json``.

    What it costs is measured in a process of its own, see `pipeline.bench.methods.cost.read_cost`.
    """
    from pipeline.bench.methods.cost import method_cost, write_cost
    from pipeline.bench.methods.run_method import run_method
    from pipeline.bench.results.readers import read_method_results
    from pipeline.cli.progress import show_step_progress

    written = folder / "detections.json"
    with show_step_progress(f"Running {method.name} on {data_set.name}", quiet=quiet) as step:
        run_method(data_set, method, written, settings.ingest, step)
        write_cost(folder, method_cost(data_set, method.name, method.settings, settings))
    return read_method_results(data_set, written)


def run_methods(
    data_set: DataSet, names: Sequence[str], out: Path, tuning: MethodTuning, settings: Settings, *, quiet: bool
) -> None:
    """Tune each method and run it. What comes of it is in ``out``: see `method_runs`."""
    from pipeline.bench.methods.method import load_method
    from pipeline.store.atomic_write import write_atomically

    choose = _tuner(tuning, settings)
    index = []
    for number, (method, how) in enumerate([choose(load_method(name)) for name in names], 1):
        folder = out / f"method-{number}"
        run_method_with_progress(data_set, method, folder, settings, quiet=quiet)
        origin = method.origin()
        index.append(
            {
                "name": origin.label,
                "learned_from": origin.learned_from,
                "settings": {**method.settings, **how},
                "folder": folder.name,
            }
        )
    write_atomically(out / _INDEX, [(json.dumps(index, indent=2, allow_nan=False) + "\n").encode()])


def holds_method_runs(folder: Path) -> bool:
    """Whether `run_methods` wrote it."""
    return (folder / _INDEX).is_file()


def method_runs(out: Path) -> list[MethodRun]:
    """What `run_methods` wrote, in the order of the names."""
    index = json.loads((out / _INDEX).read_text(encoding="utf-8"))
    return [
        MethodRun(each["name"], each["learned_from"], each["settings"], out / each["folder"] / "detections.json")
        for each in index
    ]


def _tuner(tuning: MethodTuning, settings: Settings) -> Callable[[Method], tuple[Method, dict[str, object]]]:
    """What tunes a method, and says how; without a tuning set, what leaves it as it is."""
    if tuning.data_set is None:
        return lambda method: (method, {"tuned on": "nothing"})
    from pipeline.bench.ground_truth import open_data_set
    from pipeline.bench.methods.tuning import read_tuning_clips, tune

    known = open_data_set(tuning.data_set)
    clips = read_tuning_clips(known, tuning.frames, settings.ingest)

    def tuned(method: Method) -> tuple[Method, dict[str, object]]:
        best = tune(method, known, clips, tries=tuning.tries, seed=tuning.seed)
        how = {
            "tuned on": f"{best.frames} frames of {known.name}",
            "tries": best.tries,
            "F1 there": round(best.f1, 3),
            "before": round(best.f1_untuned, 3),
        }
        return best.method, how

    return tuned
