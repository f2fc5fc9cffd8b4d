"""``clutchlight batch``: the nightly run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import batch_exit_code
from pipeline.cli.options import (
    AllowUncalibrated,
    AsJson,
    EngineName,
    EngineOption,
    Quiet,
    SettingsFile,
    Traceback,
    Weights,
)

__all__ = ["batch"]


def batch(
    root: Annotated[
        str,
        typer.Argument(
            metavar="ROOT",
            help="Folder that holds the exam folders, or its address on object storage, like s3://recordings/2026; "
            "only read.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder outside ROOT; created if missing.")],
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    force: Annotated[bool, typer.Option("--force", help="Read all clips again, finished ones too.")] = False,
    retry_refused: Annotated[
        bool,
        typer.Option(
            "--retry-refused",
            help="Also read clips that ended or outlasted the process that read them in an earlier run.",
        ),
    ] = False,
    verify: Annotated[
        bool,
        typer.Option(
            "--verify",
            help="Read every recording in full to see whether it is as it was; otherwise size and time decide.",
        ),
    ] = False,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Read clips by the workers of the Dask scheduler at ADDRESS, like tcp://head:8786. They must find "
            "the recordings under the same paths.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Read all new clips under ROOT and write a sheet for every animal.

    Clips that an earlier run finished are not read again, so the same command continues an interrupted run.
    """
    with handle_errors(traceback):
        from pipeline.cli.batch_summary import print_report
        from pipeline.locations.location import location

        report = run_batch_with_progress(
            location(root),
            out,
            settings,
            engine,
            weights,
            force=force,
            retry_refused=retry_refused,
            verify=verify,
            cluster=cluster,
            quiet=quiet,
            allow_uncalibrated=allow_uncalibrated,
        )
        if as_json:
            # In ASCII, since reasons may quote what a file holds.
            typer.echo(json.dumps(report.document(batch_exit_code(report)), indent=2))
        print_report(report, quiet=quiet, as_json=as_json, traceback=traceback)
        raise typer.Exit(batch_exit_code(report))
