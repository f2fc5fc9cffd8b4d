"""``clutchlight bench compare``: our batch beside other methods on the same frames."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.bench_benchmark_commands import made_benchmarks
from pipeline.cli.bench_report_output import write_bench_report
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.method_runner import (
    MethodTuning,
    Tries,
    TuningFrames,
    TuningSet,
    holds_method_runs,
    method_runs,
    run_methods,
)
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import (
    AllowUncalibrated,
    AsJson,
    EngineName,
    EngineOption,
    Quiet,
    SettingsFile,
    Traceback,
    Weights,
    misused,
)

if TYPE_CHECKING:
    from pipeline.bench.comparison.entries import Entry
    from pipeline.bench.ground_truth import DataSet

__all__ = ["compare_methods"]


def compare_methods(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for results and figures; created if missing.")
    ],
    data_set: Annotated[
        Path | None, typer.Argument(metavar="[DATASET]", help="Folder with exams and ground truth.")
    ] = None,
    benchmark: Annotated[
        str | None,
        typer.Option(
            "--benchmark",
            metavar="NAME",
            help="A frozen benchmark instead of DATASET, such as phantoms-1; methods are tuned on one that it names.",
        ),
    ] = None,
    tuning_set: TuningSet = None,
    tries: Tries = 40,
    tuning_frames: TuningFrames = 200,
    methods: Annotated[
        list[str] | None,
        typer.Option(
            "--method",
            metavar="MODULE:FUNCTION",
            help="A method to compare with, with ,SETTING=VALUE as often as wanted, instead of circles and blobs of "
            "pipeline.bench.peers. Repeatable.",
        ),
    ] = None,
    peers: Annotated[
        Path | None,
        typer.Option(
            "--peers",
            metavar="DIR",
            help="Run the methods and the other trackers in this environment of clutchlight bench peers-environment.",
        ),
    ] = None,
    results: Annotated[
        list[str] | None,
        typer.Option(
            "--results",
            metavar="[NAME=]PATH",
            help="Results of another program on DATASET, as for bench accuracy, or a folder of bench run-methods with "
            "all of its methods. Repeatable.",
        ),
    ] = None,
    resamples: Annotated[int, typer.Option("--resamples", min=1, help="Draws of animals for the intervals.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the draws and of the tuning.")] = 0,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare the batch with other methods on the same frames, with intervals over animals and paired differences.

    Simpler ways to count the batch's listings are compared, too, and other trackers on its detections where they are
    installed, here or in the environment of --peers. The figures are printed and written to DIR/comparison.json, with
    plots in DIR/report.html, and with DIR/manifest.json, which bench repeat runs again. Clips that an earlier run of
    the batch finished are not read again.
    """
    with handle_errors(traceback):
        from models.weights_file import shipped_weights
        from pipeline.bench.comparison.compare import compare_entries
        from pipeline.bench.comparison.comparison_table import comparison_table
        from pipeline.bench.comparison.entries import Entry, entries_of_own_detections, with_distinct_names
        from pipeline.bench.comparison.recording_strata import recording_strata
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.methods.cost import batch_cost
        from pipeline.bench.peers.available import available_peers
        from pipeline.bench.peers.training_notes import learned_from_notes
        from pipeline.bench.results.own_output import read_own_output
        from pipeline.bench_report.comparison_sections import comparison_sections, comparison_summary
        from pipeline.settings import load_settings

        if (data_set is None) == (benchmark is None):
            raise typer.Exit(misused("Name a DATASET with exams and ground truth, or a --benchmark."))
        if benchmark is not None:
            data_set, tuning_set = _made(benchmark, tuning_set, out, quiet=quiet)
        assert data_set is not None
        if tuning_set is not None and tuning_set.resolve() == data_set.resolve():
            raise typer.Exit(misused("--tune-on needs another data set than the one that is measured."))
        known, loaded = open_data_set(data_set), load_settings(settings)
        others = [_named_path(each) for each in results or []]
        read = [entry for name, path in others for entry in _entries_of_others(known, name, path)]
        tuning = MethodTuning(tuning_set, tries, tuning_frames, seed)
        if peers is None:
            run_methods(known, methods or available_peers(), out, tuning, loaded, quiet=quiet)
        else:
            _run_methods_in(peers, data_set, methods or [], out, tuning, settings)

        own_folder = out / f"1-{known.name}"
        run_batch_with_progress(
            known.exams_root, own_folder, settings, engine, weights, quiet=quiet, allow_uncalibrated=allow_uncalibrated
        )
        own = read_own_output(known, own_folder)
        run_settings = load_settings(settings, weights=weights, allow_uncalibrated=True)
        load = partial(batch_runner.load_detector, engine.value, weights, run_settings)
        cost = batch_cost(known, load, run_settings)
        learned_from = learned_from_notes(weights or shipped_weights())
        entries = [
            Entry("ours", own, cost=cost, learned_from=learned_from),
            *entries_of_own_detections(known, own, loaded.track),
        ]
        if peers is not None:
            entries += _trackers_in(peers, data_set, known, own_folder, out / "trackers", settings)
        entries += _entries_of_runs(known, out)
        strata = recording_strata(known, loaded.ingest)
        distinct = with_distinct_names([*entries, *read])
        compared = compare_entries(known, distinct, resamples=resamples, seed=seed, recording_strata=strata)
        tuned_on = {} if tuning_set is None else {tuning_set.resolve().name: tuning_set}
        write_bench_report(
            out,
            "comparison.json",
            f"Methods compared on {known.name}",
            comparison_summary(compared),
            comparison_sections(compared),
            settings=run_settings,
            weights=weights or shipped_weights(),
            data_sets={known.name: data_set, **tuned_on},
            seeds={"draws and tuning": seed},
        )
        report_metrics(out / "comparison.json", compared.document(), comparison_table(compared), as_json=as_json)


def _made(benchmark: str, tuning_set: Path | None, out: Path, *, quiet: bool) -> tuple[Path, Path | None]:
    """The folders of a benchmark and of what methods are tuned on: what was named, else what the benchmark names."""
    from pipeline.bench.frozen.definition import open_benchmark

    (folder,) = made_benchmarks([benchmark], out, quiet=quiet)
    tuned_on = open_benchmark(benchmark).definition.tuned_on
    if tuning_set is None and tuned_on:
        (tuning_set,) = made_benchmarks([tuned_on], out, quiet=quiet)
    return folder, tuning_set


def _entries_of_others(known: DataSet, name: str, path: Path) -> list[Entry]:
    """Those of a folder of run-methods, else the results of one program."""
    from pipeline.bench.comparison.entries import entry_of_results
    from pipeline.bench.results.readers import read_method_results

    if holds_method_runs(path):
        return _entries_of_runs(known, path)
    return [entry_of_results(name, known, read_method_results(known, path))]


def _entries_of_runs(known: DataSet, folder: Path) -> list[Entry]:
    """The methods that were run, with what they cost and what they learned from."""
    from pipeline.bench.comparison.entries import entry_of_results
    from pipeline.bench.methods.cost import read_cost
    from pipeline.bench.results.readers import read_method_results

    entries = []
    for run in method_runs(folder):
        found, cost = read_method_results(known, run.detections), read_cost(run.detections.parent)
        entries.append(entry_of_results(run.name, known, found, run.settings, cost, run.learned_from))
    return entries


def _run_methods_in(
    peers: Path, data_set: Path, methods: list[str], out: Path, tuning: MethodTuning, settings: Path | None
) -> None:
    """`run_methods` in the environment of the peers, whose libraries are others."""
    from pipeline.bench.peers.environment import environment_python, run_in_environment

    options = [f"--tries={tuning.tries}", f"--tuning-frames={tuning.frames}", f"--seed={tuning.seed}", "--quiet"]
    options += [f"--method={name}" for name in methods]
    options += [] if tuning.data_set is None else [f"--tune-on={tuning.data_set}"]
    options += [] if settings is None else [f"--settings={settings}"]
    command = ["-m", "pipeline", "bench", "run-methods", str(data_set), "--out", str(out), *options]
    run_in_environment(environment_python(peers), command)


def _trackers_in(
    peers: Path, data_set: Path, known: DataSet, own: Path, out: Path, settings: Path | None
) -> list[Entry]:
    """The tracks of the trackers in that environment on the detections of our batch."""
    from pipeline.bench.comparison.entries import Entry
    from pipeline.bench.other_trackers import tracker_files
    from pipeline.bench.peers.environment import environment_python, run_in_environment
    from pipeline.bench.results.readers import read_method_results

    options = [] if settings is None else [f"--settings={settings}"]
    command = ["-m", "pipeline", "bench", "other-trackers", str(data_set), str(own), "--out", str(out), *options]
    run_in_environment(environment_python(peers), command)
    return [Entry(f"ours + {name}", read_method_results(known, path)) for name, path in tracker_files(out).items()]


def _named_path(text: str) -> tuple[str, Path]:
    """The two sides of "theirs=folder"; without a name, that of the file or folder."""
    name, separator, path = text.partition("=")
    return (name, Path(path)) if separator else (Path(text).stem, Path(text))
