"""``clutchlight bench accuracy``: measure what is found and counted where the truth is known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.bench_benchmark_commands import BenchmarkOption, made_benchmarks
from pipeline.cli.bench_report_output import write_bench_report
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.method_runner import run_method_with_progress
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import (
    AllowUncalibrated,
    AsJson,
    EngineName,
    EngineOption,
    MetricsFolder,
    Quiet,
    SettingsFile,
    Traceback,
    Weights,
    misused,
)

__all__ = ["measure_accuracy"]


def measure_accuracy(
    out: MetricsFolder,
    data_sets: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="DATASET", help="Folders with exams and ground truth, as written by clutchlight phantoms."
        ),
    ] = None,
    benchmarks: BenchmarkOption = None,
    egg_free: Annotated[
        list[Path] | None,
        typer.Option(
            "--egg-free",
            metavar="DIR",
            help="Folder with exams of animals known to carry no eggs or follicles; needs no ground truth. Repeatable.",
        ),
    ] = None,
    results: Annotated[
        Path | None,
        typer.Option(
            "--results",
            metavar="PATH",
            help="Measure these results for the one DATASET instead of running the batch: the output of a batch, COCO "
            "results, MOTChallenge folders, YOLO labels, or a CSV table of counts.",
        ),
    ] = None,
    method: Annotated[
        str | None,
        typer.Option(
            "--method",
            metavar="MODULE:FUNCTION",
            help="Run this function over the clips instead of the batch, such as "
            "pipeline.bench.peers.hough_circles:find.",
        ),
    ] = None,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Run the batch on data sets with ground truth, and measure what it found and counted.

    With --results or --method, measure what another program or a function of your own finds. The metrics are printed
    and written to DIR/figures.json, with plots in DIR/report.html and as SVG, and with DIR/manifest.json, which bench
    repeat runs again. Clips that an earlier run finished are not read again.
    """
    with handle_errors(traceback):
        from models.weights_file import shipped_weights
        from pipeline.bench.data_set_metrics import measure_data_set
        from pipeline.bench.egg_free_data_set import egg_free_data_set
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.methods.method import load_method
        from pipeline.bench.metrics_plots import metrics_svg
        from pipeline.bench.metrics_table import metrics_table
        from pipeline.bench.results.own_output import read_own_output
        from pipeline.bench.results.readers import read_method_results
        from pipeline.bench_report.accuracy_sections import accuracy_sections, accuracy_summary
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        folders = [*(data_sets or []), *made_benchmarks(benchmarks or [], out, quiet=quiet)]
        known = [open_data_set(folder) for folder in folders]
        if not known and not egg_free:
            raise typer.Exit(
                misused("Name a folder with exams and ground truth, a --benchmark, or exams with --egg-free.")
            )
        if results is not None and (len(known) != 1 or egg_free or method is not None):
            raise typer.Exit(misused("--results belongs to one DATASET. Name that one alone, without --method."))
        if method is not None and egg_free:
            raise typer.Exit(misused("--egg-free needs the batch, which says which frames can be used."))
        loaded, metrics = load_settings(settings), []

        def run_batch(root: Path, written: Path) -> Path:
            run_batch_with_progress(
                root, written, settings, engine, weights, quiet=quiet, allow_uncalibrated=allow_uncalibrated
            )
            return written

        for number, data_set in enumerate(known, 1):
            own = out / f"{number}-{data_set.name}"
            if results is not None:
                found = read_method_results(data_set, results)
            elif method is not None:
                found = run_method_with_progress(data_set, load_method(method), own, loaded, quiet=quiet)
            else:
                found = read_own_output(data_set, run_batch(data_set.exams_root, own))
            metrics.append(measure_data_set(data_set, found, loaded))
        for number, folder in enumerate(egg_free or [], len(known) + 1):
            written = run_batch(folder, out / f"{number}-{folder.resolve().name}")
            data_set = egg_free_data_set(folder, written)
            metrics.append(measure_data_set(data_set, read_own_output(data_set, written), loaded))
        for number, each in enumerate(metrics, 1):
            write_atomically(out / f"{number}-{each.name}.svg", [metrics_svg(each).encode()])
        documents = [each.document() for each in metrics]
        write_bench_report(
            out,
            "figures.json",
            "Accuracy",
            accuracy_summary(metrics),
            accuracy_sections(metrics),
            settings=load_settings(settings, weights=weights, allow_uncalibrated=True),
            weights=weights or shipped_weights() if results is None and method is None else None,
            data_sets={folder.resolve().name: folder for folder in (*folders, *(egg_free or []))},
        )
        report_metrics(out / "figures.json", documents, metrics_table(metrics), as_json=as_json)
