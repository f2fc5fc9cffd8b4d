"""``clutchlight status`` and ``clutchlight tidy``: how the nights go, and what may go."""

from __future__ import annotations

import datetime as dt
import json
import platform
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, Results, SettingsFile, Traceback, Weights, require_results

__all__ = ["STATUS_EXIT_CODES_HELP", "status", "tidy"]

STATUS_EXIT_CODES_HELP = (
    "Exit codes, as monitors expect them: 0 fine; 1 something to look at, or something unexpected failed; 2 critical: "
    "no night, a night that failed or is too long ago, no space, damage, or a wrong folder."
)


def status(
    out: Results,
    settings: SettingsFile = None,
    weights: Weights = None,
    mail: Annotated[
        bool, typer.Option("--mail", help="Print a mail instead: a subject, and the text (for sendmail -t).")
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Show how the last night went, what waits for the next one, and which exams wait for whom.

    It reads no recording and loads no network. With --quiet only what is wrong is printed.
    """
    with handle_errors(traceback):
        from models.printable import printable
        from pipeline.night.status import read_status
        from pipeline.night.status_text import mail_text, status_text
        from pipeline.settings import load_settings

        require_results(out)
        loaded = load_settings(settings, weights=weights, allow_uncalibrated=True)
        found = read_status(out.resolve(), loaded, dt.datetime.now(dt.UTC))
        if as_json:
            typer.echo(json.dumps(found.document(), indent=2))
        elif mail:
            typer.echo(mail_text(found, platform.node()))
        elif not quiet:
            typer.echo(status_text(found))
        else:
            for finding in found.findings:
                typer.echo(f"{finding.severity.name.lower()}: {printable(finding.reason)}")
        raise typer.Exit(found.severity)


def tidy(
    out: Results,
    settings: SettingsFile = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be removed.")] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Free space: remove stored scans that no result needs, old automatic copies, old logs, and half-written files.

    Results and what people said are never removed. Look at the list first: --dry-run.
    """
    with handle_errors(traceback):
        from pipeline.formatting import plural
        from pipeline.night.tidying import find_removable, remove
        from pipeline.settings import load_settings
        from pipeline.store.lock import hold_lock

        require_results(out)
        chosen = load_settings(settings, allow_uncalibrated=True).tidy
        with hold_lock(out):
            found = find_removable(out.resolve(), chosen, dt.datetime.now(dt.UTC))
            if not dry_run:
                remove(out.resolve(), found)
        if not quiet:
            for paths in (found.copies, found.logs, found.parts):
                for path, size in paths.items():
                    typer.echo(f"{path}: {size / 1e6:,.1f} MB")
            scans = plural(len(found.scans.numbers), "stored scan")
            typer.echo(f"{scans}: {found.scans.size_bytes / 1e6:,.1f} MB")
            typer.echo(f"{found.size_bytes / 1e6:,.1f} MB {'would be' if dry_run else 'were'} removed.")
