"""``clutchlight bench compare``: our batch beside other methods on the same frames."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.method_runner import MethodTuning, Tries, TuningFrames, TuningSet, method_runs, run_methods
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
    data_set: Annotated[Path, typer.Argument(metavar="DATASET", help="Folder with exams and ground truth.")],
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for results and figures; created if missing.")
    ],
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
            help="Results of another program on DATASET, as for bench accuracy. Repeatable.",
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
    installed, here or in the environment of --peers. The figures are printed and written to DIR/comparison.json. Clips
    that an earlier run of the batch finished are not read again.
    """
    with handle_errors(traceback):
        from pipeline.bench.comparison.compare import compare_entries
        from pipeline.bench.comparison.comparison_table import comparison_table
        from pipeline.bench.comparison.entries import Entry, entries_of_own_detections, entry_of_results
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.peers.available import available_peers
        from pipeline.bench.results.own_output import read_own_output
        from pipeline.bench.results.readers import read_method_results
        from pipeline.settings import load_settings

        if tuning_set is not None and tuning_set.resolve() == data_set.resolve():
            raise typer.Exit(misused("--tune-on needs another data set than the one that is measured."))
        known, loaded = open_data_set(data_set), load_settings(settings)
        others = [_named_path(each) for each in results or []]
        read = [entry_of_results(name, known, read_method_results(known, path)) for name, path in others]
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
        entries = [Entry("ours", own), *entries_of_own_detections(known, own, loaded.track)]
        if peers is not None:
            entries += _trackers_in(peers, data_set, known, own_folder, out / "trackers", settings)
        for run in method_runs(out):
            found = read_method_results(known, run.detections)
            entries.append(entry_of_results(_short(run.name), known, found, run.settings))
        compared = compare_entries(known, [*entries, *read], resamples=resamples, seed=seed)
        report_metrics(out / "comparison.json", compared.document(), comparison_table(compared), as_json=as_json)


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


def _short(name: str) -> str:
    """The name of a method in the table."""
    return name.removeprefix("pipeline.bench.peers.").removesuffix(":find")


def _named_path(text: str) -> tuple[str, Path]:
    """The two sides of "theirs=folder"; without a name, that of the file or folder."""
    name, separator, path = text.partition("=")
    return (name, Path(path)) if separator else (Path(text).stem, Path(text))
