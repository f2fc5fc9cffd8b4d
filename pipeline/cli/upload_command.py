"""``clutchlight upload``: the finished pages and files, copied to object storage."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import Quiet, Results, Traceback, misused, require_results

__all__ = ["upload"]


def upload(
    out: Results,
    to: Annotated[
        str,
        typer.Option("--to", metavar="ADDRESS", help="Where to put the copy, like s3://sheets/2026."),
    ],
    everything: Annotated[
        bool, typer.Option("--all", help="Also what was copied before, such as after it was deleted there.")
    ] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Copy new pages and files to object storage, for readers elsewhere.

    Databases and what people said stay here, and nothing is ever read back. It can be the command after each night.
    """
    with handle_errors(traceback):
        from pipeline.formatting import plural
        from pipeline.locations.location import location
        from pipeline.locations.object_path import ObjectPath
        from pipeline.night.upload import upload as copy

        require_results(out)
        target = location(to)
        if not isinstance(target, ObjectPath):
            raise typer.Exit(misused(f"{to}: no address of object storage; write one like s3://sheets/2026."))
        copied = copy(out.resolve(), target, everything=everything)
        if not quiet:
            typer.echo(f"{plural(copied, 'file')} copied to {target}.")
