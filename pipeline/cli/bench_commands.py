"""``clutchlight bench``: measure against ground truth, on damaged files, and on labels."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
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
from pipeline.cli.train_command import compare_networks

__all__ = ["bench"]


def bench(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where results and figures go; made if missing.")],
    data_sets: Annotated[
        list[Path] | None,
        typer.Argument(metavar="DATASET...", help="Folders with exams and truth, as clutchlight phantoms writes them."),
    ] = None,
    egg_free: Annotated[
        list[Path] | None,
        typer.Option(
            "--egg-free", metavar="DIR", help="Folder with exams of animals known to carry nothing; no truth."
        ),
    ] = None,
    damaged: Annotated[
        int, typer.Option("--fuzz", metavar="N", min=0, help="Read N damaged files of every kind; none may do harm.")
    ] = 0,
    sectors: Annotated[int, typer.Option("--sectors", metavar="N", min=0, help="Find sectors of N machines.")] = 0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Start of random numbers: --fuzz, --sectors.")] = 0,
    speed: Annotated[bool, typer.Option("--speed", help="Time the reading of clips against bare decoding.")] = False,
    labels_of: Annotated[
        Path | None,
        typer.Option("--labels", metavar="DIR", help="Hold --weights, and --baseline, against clutchlight labels."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option("--baseline", metavar="WEIGHTS", help="With --labels, the earlier network; else the shipped one."),
    ] = None,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Run the batch on data sets whose truth is known, and measure what it found and counted.

    With --fuzz, --speed or --sectors it is the reading of files alone that is tried. With --labels two networks are
    held against frames that people answered for, of animals that neither was taught.
    """
    with handle_errors(traceback):
        from pipeline.store.atomic_write import write_atomically

        if labels_of is not None or before is not None:
            if labels_of is None or weights is None or data_sets or egg_free or damaged or speed or sectors:
                raise typer.Exit(
                    misused("--labels goes with --weights and, if you like, --baseline, and nothing else.")
                )
            compared = compare_networks(labels_of, before, weights)
            text = json.dumps(compared.document(), indent=2, allow_nan=False) + "\n"
            write_atomically(out / "labels.json", [text.encode()])
            typer.echo(text if as_json else compared.table(), nl=not as_json)
            raise typer.Exit(ExitCode.DONE)
        if damaged or speed or sectors:
            if data_sets or egg_free:
                raise typer.Exit(misused("--fuzz, --speed and --sectors take no data sets."))
            from pipeline.bench.input_files.input_report import measure_input_files
            from pipeline.cli.progress import show_step_progress
            from pipeline.settings import load_settings

            with show_step_progress("Reading damaged and whole files", quiet=quiet) as step:
                given = load_settings(settings)
                read = measure_input_files(
                    out, given, fuzz_cases=damaged, sectors=sectors, seed=seed, speed=speed, progress=step
                )
            text = json.dumps(read.document(), indent=2) + "\n"
            write_atomically(out / "reading.json", [text.encode()])
            typer.echo(text if as_json else read.table(), nl=not as_json)
            raise typer.Exit(ExitCode.DONE if read.passed_fuzzing else ExitCode.UNEXPECTED)
        from pipeline.bench.data_set_metrics import measure_data_set
        from pipeline.bench.egg_free_data_set import egg_free_data_set
        from pipeline.bench.ground_truth import DataSetError, open_data_set
        from pipeline.bench.metrics_plots import metrics_svg
        from pipeline.bench.metrics_table import metrics_table

        known = [open_data_set(folder) for folder in data_sets or []]
        if not known and not egg_free:
            raise DataSetError("Name a folder with exams and truth, or one of egg-free exams with --egg-free.")
        figures = []
        for number, data_set in enumerate(known, 1):
            results = out / f"{number}-{data_set.name}"
            run_batch_with_progress(
                data_set.exams_root,
                results,
                settings,
                engine,
                weights,
                quiet=quiet,
                export_probe_path=data_set.has_probe_paths,
                allow_uncalibrated=allow_uncalibrated,
            )
            figures.append(measure_data_set(data_set, results))
        for number, folder in enumerate(egg_free or [], len(known) + 1):
            results = out / f"{number}-{folder.resolve().name}"
            run_batch_with_progress(
                folder, results, settings, engine, weights, quiet=quiet, allow_uncalibrated=allow_uncalibrated
            )
            figures.append(measure_data_set(egg_free_data_set(folder, results), results))
        document = json.dumps([each.document() for each in figures], indent=2, allow_nan=False) + "\n"
        write_atomically(out / "figures.json", [document.encode()])
        for number, each in enumerate(figures, 1):
            write_atomically(out / f"{number}-{each.name}.svg", [metrics_svg(each).encode()])
        typer.echo(document if as_json else metrics_table(figures), nl=not as_json)
