"""The command line: read the wishes, call one function, say how it ended.

Results go to stdout, talk to stderr. Heavy libraries are imported by the commands that need them, so that
``--help`` answers at once.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.bench_commands import bench
from pipeline.cli.calibrate_command import calibrate
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
    misused,
)
from pipeline.cli.outcome_commands import agreement, outcome
from pipeline.cli.review_commands import labels, review, users
from pipeline.cli.train_command import train

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

        report = run_batch_with_progress(root, out, settings, engine, weights, force=force, quiet=quiet)
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
        report = run_batch_with_progress(exams, results, None, engine, weights, quiet=quiet)
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
            raise typer.Exit(misused("Give DIR and --animals for clips, --contact-sheet for a contact sheet."))
        if sheet is None and (beside is not None or mixed):
            raise typer.Exit(misused("--compare-with and --blinded belong to --contact-sheet."))
        if mixed and beside is None:
            raise typer.Exit(
                misused("--blinded needs --compare-with, a folder of recordings to mix the phantoms with.")
            )
        if folder is not None and animals is not None:
            _write_phantoms(folder, animals=animals, seed=seed, quiet=quiet)
        if sheet is not None:
            from pipeline.bench.phantom_sheet import write_contact_sheet
            from pipeline.settings import load_settings

            write_contact_sheet(sheet, seed=seed, recordings=beside, mix=mixed, settings=load_settings(None).ingest)


app.add_typer(bench)
app.command(epilog=EXIT_CODES_HELP)(calibrate)
app.command(epilog=EXIT_CODES_HELP)(train)
app.command(epilog=EXIT_CODES_HELP)(outcome)
app.command(epilog=EXIT_CODES_HELP)(agreement)
app.command(epilog=EXIT_CODES_HELP)(review)
app.command(epilog=EXIT_CODES_HELP)(users)
app.command(epilog=EXIT_CODES_HELP)(labels)


def _write_phantoms(folder: Path, *, animals: int | None, seed: int, quiet: bool) -> None:
    """Clips of invented animals under ``folder``; without a number, the demo's own choice of animals."""
    from pipeline.cli.progress import show_step_progress
    from synthetic.film.clips import write_demo, write_phantoms

    with show_step_progress("Filming invented animals", quiet=quiet) as step:
        if animals is None:
            write_demo(folder, seed=seed, progress=step)
        else:
            write_phantoms(folder, animals=animals, seed=seed, progress=step)
