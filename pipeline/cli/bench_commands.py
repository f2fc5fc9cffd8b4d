"""``clutchlight bench``: measure accuracy on ground truth, the reading of files, and speed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.attack_command import run_all_attacks
from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.bench_benchmark_commands import BenchmarkOption, freeze, made_benchmarks, make
from pipeline.cli.bench_compare_command import compare_methods
from pipeline.cli.bench_counting_commands import measure_frame_rates, measure_turns, measure_worlds
from pipeline.cli.bench_export_command import export_data_set
from pipeline.cli.bench_peers_commands import make_peers_environment, run_peer_methods, train_peer_network
from pipeline.cli.bench_real_pictures_command import measure_on_real_pictures
from pipeline.cli.bench_repeat_command import repeat_bench
from pipeline.cli.bench_report_output import write_bench_report
from pipeline.cli.bench_speed_command import measure_speed
from pipeline.cli.bench_study_command import study
from pipeline.cli.bench_years_command import measure_years
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.method_runner import run_method_with_progress
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
    from pipeline.bench.label_metrics import LabelMetrics

__all__ = ["BENCH_COMMANDS"]

Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for results and metrics; created if missing.")]


def measure_accuracy(
    out: Out,
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


def measure_input(
    out: Out,
    damaged_files: Annotated[
        int,
        typer.Option(
            "--damaged-files", metavar="N", min=0, help="Read N damaged files. None may crash, hang or fill the memory."
        ),
    ] = 0,
    hostile_media: Annotated[
        int,
        typer.Option("--hostile-media", metavar="N", min=0, help="Read N files that were made to exhaust the machine."),
    ] = 0,
    sectors: Annotated[
        int,
        typer.Option("--sectors", metavar="N", min=0, help="Find the sector on the screens of N simulated machines."),
    ] = 0,
    reading_speed: Annotated[
        bool, typer.Option("--reading-speed", help="Compare the time to read a clip with the time to decode it.")
    ] = False,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Seed of the random numbers of the files and sectors.")
    ] = 0,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Measure how input files are read, without any detection: damaged and hostile files, sectors and speed.

    Choose one or more of --damaged-files, --hostile-media, --sectors and --reading-speed. The metrics are printed and
    written to DIR/reading.json. The exit code is 1 if a file did harm; such files are kept in DIR/damaged and
    DIR/hostile.
    """
    with handle_errors(traceback):
        if not (damaged_files or hostile_media or sectors or reading_speed):
            raise typer.Exit(
                misused("Choose one or more of --damaged-files N, --hostile-media N, --sectors N and --reading-speed.")
            )
        from pipeline.bench.input_files.input_report import measure_input_files
        from pipeline.cli.progress import show_step_progress
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        with show_step_progress("Reading input files", quiet=quiet) as step:
            report = measure_input_files(
                out,
                load_settings(settings),
                damaged_files=damaged_files,
                hostile_media=hostile_media,
                sectors=sectors,
                reading_speed=reading_speed,
                seed=seed,
                progress=step,
            )
        document = json.dumps(report.document(), indent=2) + "\n"
        write_atomically(out / "reading.json", [document.encode()])
        typer.echo(document if as_json else report.table(), nl=not as_json)
        raise typer.Exit(ExitCode.DONE if report.passed else ExitCode.UNEXPECTED)


def compare_on_labels(
    labels: Annotated[Path, typer.Argument(metavar="LABELS", help="Folder written by clutchlight labels.")],
    weights: Annotated[Path, typer.Option("--weights", metavar="FILE", help="The new network.")],
    out: Out,
    baseline: Annotated[
        Path | None,
        typer.Option("--baseline", metavar="FILE", help="The earlier network to compare with; else the shipped one."),
    ] = None,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare two networks on reviewed frames of animals that neither was trained on.

    The metrics are printed and written to DIR/labels.json.
    """
    with handle_errors(traceback):
        compared = _compare_networks(labels, baseline, weights)
        report_metrics(out / "labels.json", compared.document(), compared.table(), as_json=as_json)


def compare_other_trackers(
    data_set: Annotated[Path, typer.Argument(metavar="DATASET", help="Folder with exams and ground truth.")],
    results: Annotated[
        Path,
        typer.Argument(
            metavar="RESULTS",
            help="Results of a batch on DATASET, such as DIR/1-DATASET of clutchlight bench accuracy.",
        ),
    ],
    tracks: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write the tracks of each tracker to DIR as COCO results instead."),
    ] = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare our tracks with those of other trackers on the same detections.

    The trackers come from three libraries that are not installed by default, but with the extra other-trackers, or in
    the environment of bench peers-environment.
    """
    with handle_errors(traceback):
        from dataclasses import asdict

        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.other_trackers import compare_trackers, tracker_table, write_tracks
        from pipeline.settings import load_settings

        known, loaded = open_data_set(data_set), load_settings(settings).track
        if tracks is not None:
            write_tracks(known, results, loaded, tracks)
            return
        compared = compare_trackers(known, results, loaded)
        if as_json:
            typer.echo(json.dumps({name: asdict(each) for name, each in compared.items()}, indent=2))
        else:
            typer.echo(tracker_table(compared))


BENCH_COMMANDS: dict[str, Callable[..., None]] = {
    "accuracy": measure_accuracy,
    "compare": compare_methods,
    "make": make,
    "freeze": freeze,
    "repeat": repeat_bench,
    "export": export_data_set,
    "study": study,
    "frame-rates": measure_frame_rates,
    "worlds": measure_worlds,
    "turns": measure_turns,
    "real-pictures": measure_on_real_pictures,
    "input": measure_input,
    "attacks": run_all_attacks,
    "labels": compare_on_labels,
    "speed": measure_speed,
    "years": measure_years,
    "other-trackers": compare_other_trackers,
    "run-methods": run_peer_methods,
    "peers-environment": make_peers_environment,
    "train-peer": train_peer_network,
}


def _compare_networks(labels: Path, before: Path | None, after: Path) -> LabelMetrics:
    """The metrics of both networks, on the same number of frames per clip as in fine-tuning.

    before : None for the shipped network
    """
    from configs.reading import config_path
    from models.weights_file import shipped_weights
    from pipeline.bench.label_metrics import compare_networks_on_labels
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings
    from synthetic.training.training_device import training_device

    frames = load_fine_tuning_settings(config_path("fine_tuning.toml")).max_frames_per_clip
    labelled = read_labels(labels, max_frames_per_clip=frames)
    return compare_networks_on_labels(labelled, before or shipped_weights(), after, device=training_device())
