"""``clutchlight backup``, ``clutchlight check`` and ``clutchlight restore``: so that what people said is never lost."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, Quiet, Results, Traceback, require_results

__all__ = ["backup", "check", "restore"]


def backup(
    out: Results,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="DIR", help="Where to put the copy, best another disk; by default OUT/backups."),
    ] = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Copy what people said and the store to a dated folder. A batch or a review may be running.

    A store on a PostgreSQL server is left to pg_dump.
    """
    with handle_errors(traceback):
        from pipeline.people.dated_copies import copy_files
        from pipeline.people.journal import Journal
        from pipeline.store.dated_copies import copies_folder
        from pipeline.store.output_database import database_of

        require_results(out)
        database = database_of(out)
        with closing(Journal(out)) as journal:
            copy = copy_files([journal.path, *database.files], to or copies_folder(out), "asked")
        if not quiet:
            typer.echo(str(copy.folder))
            if database.backup_advice:
                typer.echo(database.backup_advice, err=True)


def check(out: Results, quiet: Quiet = False, as_json: AsJson = False, traceback: Traceback = False) -> None:
    """Check that what people said, the store and the sheets are as they were written, and agree with each other.

    It changes nothing. The last line names the end of the chain of all answers: signed sheets state it as it was when
    they were signed.
    """
    with handle_errors(traceback):
        from models.printable import printable_lines
        from pipeline.formatting import plural
        from pipeline.review.integrity import check_folder

        require_results(out)
        found = check_folder(out.resolve())
        if as_json:
            typer.echo(json.dumps(found.document(), indent=2))
        else:
            for problem in found.problems:
                typer.echo(printable_lines(problem), err=True)
            if not quiet and found.entries is not None:
                typer.echo(f"{plural(found.signed, 'signed exam')}; entry {found.entries}, SHA-256 {found.head}")
        raise typer.Exit(ExitCode.DAMAGED if found.problems else ExitCode.DONE)


def restore(
    out: Results,
    copy: Annotated[
        Path,
        typer.Argument(
            metavar="COPY",
            help="A folder that clutchlight backup, the batch or a migration made; or a people.sqlite without its "
            "people.head.",
        ),
    ],
    discard_newer: Annotated[
        bool, typer.Option("--discard-newer", help="Also if answers were given since the copy was made.")
    ] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Put a copy back in place. Stop the review first. What was there before is kept in OUT/backups."""
    with handle_errors(traceback):
        from pipeline.people.restoring import restore as put_back
        from pipeline.store.lock import hold_lock

        with hold_lock(out):
            restored = put_back(out, copy, discard_newer=discard_newer)
        if not quiet:
            kept = f" What was there before is in {restored.kept}." if restored.kept else ""
            entries = f", {restored.tip.length} entries" if restored.tip else ""
            typer.echo(f"{' and '.join(restored.files)} restored{entries}.{kept}")
