"""The command line: read the wishes, call one function, say how it ended.

Results go to stdout, talk to stderr. Heavy libraries are imported by the commands that need them, so that
``--help`` answers at once.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.batch.events import BatchReport
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.cli.options import (
    EXIT_CODES_HELP,
    AsJson,
    EngineName,
    EngineOption,
    Quiet,
    SettingsFile,
    Traceback,
    Weights,
)
from pipeline.cli.outcome_commands import agreement, outcome
from pipeline.cli.review_commands import labels, review, users
from pipeline.cli.train_command import compare_networks, train

if TYPE_CHECKING:
    from pipeline.scan.clip_scan import FrameDetector
    from pipeline.settings import Settings

__all__ = ["main"]


app = typer.Typer(
    name="clutchlight",
    help="Counts and stages the eggs of turtles and tortoises in recorded ultrasound clips.",
    epilog=EXIT_CODES_HELP,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (`ExitCode`)."""
    try:
        app(args=None if argv is None else list(argv), prog_name="clutchlight")
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    return ExitCode.DONE


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            typer.echo(f"clutchlight {version('clutchlight')}")
        except PackageNotFoundError:
            typer.echo("clutchlight (run from its source, not installed)")
        raise typer.Exit


@app.callback(epilog=EXIT_CODES_HELP)
def _top(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version and exit."),
    ] = False,
) -> None:
    pass


@app.command(epilog=EXIT_CODES_HELP)
def batch(
    root: Annotated[Path, typer.Argument(metavar="ROOT", help="Folder that holds the exams' folders; only read.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder, outside ROOT; made if missing.")],
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    force: Annotated[bool, typer.Option("--force", help="Read all clips anew, finished ones as well.")] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Read all new clips under ROOT and write a sheet for every animal.

    Clips that an earlier run finished are not read twice, so the same command continues an interrupted night.
    """
    with handle_errors(traceback):
        from pipeline.cli.progress import print_report

        report = _run_batch(root, out, settings, engine, weights, force=force, quiet=quiet)
        if as_json:
            typer.echo(json.dumps(report.document(batch_exit_code(report)), ensure_ascii=False, indent=2))
        print_report(report, quiet=quiet, as_json=as_json, traceback=traceback)
        raise typer.Exit(batch_exit_code(report))


@app.command(epilog=EXIT_CODES_HELP)
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where clips and sheets go; made if missing.")
    ] = Path("clutchlight-demo"),
    seed: Annotated[int, typer.Option("--seed", min=0, help="Start of the random numbers.")] = 1,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Invent a few animals, film them, run the batch, and compare what it found with the truth."""
    with handle_errors(traceback):
        from pipeline.bench.count_comparison import compare_counts, comparison_table, read_results
        from pipeline.cli.progress import print_report

        exams, results = out / "exams", out / "results"
        _write_phantoms(exams, animals=None, seed=seed, quiet=quiet)
        report = _run_batch(exams, results, None, engine, weights, quiet=quiet)
        truth = json.loads((exams / "animals.json").read_text(encoding="utf-8"))
        written = [exam.written_to for exam in report.exams if exam.written_to is not None]
        rows = compare_counts(truth, read_results(written))
        if as_json:
            typer.echo(json.dumps([row.document() for row in rows], ensure_ascii=False, indent=2))
        else:
            typer.echo(comparison_table(rows))
        print_report(report, quiet=quiet, as_json=as_json, traceback=traceback)
        raise typer.Exit(batch_exit_code(report))


@app.command(epilog=EXIT_CODES_HELP)
def phantoms(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="Where the exams' folders go; made if missing.")
    ] = None,
    animals: Annotated[int | None, typer.Option("--animals", min=1, help="How many animals to invent for DIR.")] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Start of the random numbers; the same, the same clips.")
    ] = 0,
    sheet: Annotated[
        Path | None, typer.Option("--contact-sheet", metavar="FILE.png", help="A contact sheet of training pictures.")
    ] = None,
    beside: Annotated[
        Path | None,
        typer.Option(
            "--compare-with", metavar="DIR", help="Lay frames of the recordings in there beside the phantoms."
        ),
    ] = None,
    mixed: Annotated[
        bool, typer.Option("--blinded", help="Mix both without a mark; FILE.txt tells which is which.")
    ] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Write clips of invented animals as exam folders, with the truth beside them; or show what training sees."""
    with handle_errors(traceback):
        if (folder is None) != (animals is None) or (folder is None and sheet is None):
            raise typer.Exit(_misused("Give DIR and --animals for clips, --contact-sheet for a contact sheet."))
        if sheet is None and (beside is not None or mixed):
            raise typer.Exit(_misused("--compare-with and --blinded belong to --contact-sheet."))
        if mixed and beside is None:
            raise typer.Exit(
                _misused("--blinded needs --compare-with, a folder of recordings to mix the phantoms with.")
            )
        if folder is not None and animals is not None:
            _write_phantoms(folder, animals=animals, seed=seed, quiet=quiet)
        if sheet is not None:
            from pipeline.bench.phantom_sheet import write_contact_sheet
            from pipeline.settings import load_settings

            write_contact_sheet(sheet, seed=seed, recordings=beside, mix=mixed, settings=load_settings(None).ingest)


@app.command(epilog=EXIT_CODES_HELP)
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
                    _misused("--labels goes with --weights and, if you like, --baseline, and nothing else.")
                )
            compared = compare_networks(labels_of, before, weights)
            text = json.dumps(compared.document(), indent=2, allow_nan=False) + "\n"
            write_atomically(out / "labels.json", [text.encode()])
            typer.echo(text if as_json else compared.table(), nl=not as_json)
            raise typer.Exit(ExitCode.DONE)
        if damaged or speed or sectors:
            if data_sets or egg_free:
                raise typer.Exit(_misused("--fuzz, --speed and --sectors take no data sets."))
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
            _run_batch(
                data_set.exams_root,
                results,
                settings,
                engine,
                weights,
                quiet=quiet,
                export_probe_path=data_set.has_probe_paths,
            )
            figures.append(measure_data_set(data_set, results))
        for number, folder in enumerate(egg_free or [], len(known) + 1):
            results = out / f"{number}-{folder.resolve().name}"
            _run_batch(folder, results, settings, engine, weights, quiet=quiet)
            figures.append(measure_data_set(egg_free_data_set(folder, results), results))
        document = json.dumps([each.document() for each in figures], indent=2, allow_nan=False) + "\n"
        write_atomically(out / "figures.json", [document.encode()])
        for number, each in enumerate(figures, 1):
            write_atomically(out / f"{number}-{each.name}.svg", [metrics_svg(each).encode()])
        typer.echo(document if as_json else metrics_table(figures), nl=not as_json)


@app.command(epilog=EXIT_CODES_HELP)
def calibrate(
    data_set: Annotated[
        Path, typer.Argument(metavar="DATASET", help="Folder with exams and truth, of phantoms used for nothing else.")
    ],
    results: Annotated[Path, typer.Option("--results", metavar="DIR", help="Where the batch over it is kept.")],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE.toml", help="Where the calibration goes: the shipped one, or your own."),
    ],
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Learn from eggs whose truth is known how far the network's stages and outlines can be trusted.

    The file is a table of the settings: as configs/calibration.toml it holds for everybody, elsewhere with --settings.
    """
    with handle_errors(traceback):
        import datetime as dt

        from pipeline.bench.data_set_metrics import read_matched_eggs
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.calibration.network_calibration import calibrate_network, network_calibration_toml
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        known = open_data_set(data_set)
        _run_batch(
            known.exams_root, results, settings, engine, weights, quiet=quiet, export_probe_path=known.has_probe_paths
        )
        loaded = load_settings(settings)
        learned = calibrate_network(
            read_matched_eggs(known, results),
            command=f"clutchlight calibrate {data_set.name} --results {results.name} --out {out.name}",
            date=dt.date.today(),
            weights_sha256=load_detector(engine.value, weights, loaded).model.sha256,
            previous=loaded.calibration,
        )
        write_atomically(out, [network_calibration_toml(learned).encode()])
        if not quiet:
            passages = learned.outline.shelled.passages + learned.outline.follicle.passages
            typer.echo(f"Learned from {learned.eggs} eggs and {passages} passages; written to {out}")


app.command(epilog=EXIT_CODES_HELP)(train)
app.command(epilog=EXIT_CODES_HELP)(outcome)
app.command(epilog=EXIT_CODES_HELP)(agreement)
app.command(epilog=EXIT_CODES_HELP)(review)
app.command(epilog=EXIT_CODES_HELP)(users)
app.command(epilog=EXIT_CODES_HELP)(labels)


def load_detector(engine: str, weights: Path | None, settings: Settings) -> FrameDetector:
    """A network, by default the shipped one, on the engine of that name. Raises EngineError, WeightsError."""
    import os

    from models.runtime import make_engine, shipped_weights
    from pipeline.detect.detector import Detector

    threads = settings.run.threads or len(os.sched_getaffinity(0))
    return Detector(make_engine(engine, weights or shipped_weights(), threads=threads), settings.detect)


def _misused(sentence: str) -> ExitCode:
    typer.echo(sentence, err=True)
    return ExitCode.USAGE


def _run_batch(
    root: Path,
    out: Path,
    settings_file: Path | None,
    engine: EngineName,
    weights: Path | None,
    *,
    quiet: bool,
    force: bool = False,
    export_probe_path: bool = False,
) -> BatchReport:
    """export_probe_path : whatever the settings say of them"""
    from pipeline.batch.run import run_batch
    from pipeline.cli.progress import show_batch_progress
    from pipeline.settings import load_settings

    settings = load_settings(settings_file)
    settings = settings.with_probe_path() if export_probe_path else settings
    with show_batch_progress(quiet=quiet) as on_event:
        return run_batch(
            root,
            out,
            settings,
            lambda: load_detector(engine.value, weights, settings),
            force=force,
            on_event=on_event,
        )


def _write_phantoms(folder: Path, *, animals: int | None, seed: int, quiet: bool) -> None:
    """Clips of invented animals under ``folder``; without a number, the demo's own choice of animals."""
    from pipeline.cli.progress import show_step_progress
    from synthetic.film.clips import write_demo, write_phantoms

    with show_step_progress("Filming invented animals", quiet=quiet) as step:
        if animals is None:
            write_demo(folder, seed=seed, progress=step)
        else:
            write_phantoms(folder, animals=animals, seed=seed, progress=step)


if __name__ == "__main__":
    sys.exit(main())
