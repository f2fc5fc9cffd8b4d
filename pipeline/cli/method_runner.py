"""A method of anybody's as commands run it: with progress on stderr, its detections kept in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.bench.ground_truth import DataSet
    from pipeline.bench.methods.method import Method
    from pipeline.bench.results.method_results import MethodResults
    from pipeline.settings import Settings

__all__ = ["run_method_with_progress"]


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
