"""``clutchlight bench input``: measure how files are read, also damaged and hostile ones."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, MetricsFolder, Quiet, SettingsFile, Traceback, misused

__all__ = ["measure_input"]


def measure_input(
    out: MetricsFolder,
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
