"""``clutchlight status``: for a person, a monitor or a mail."""

from __future__ import annotations

import datetime as dt
import json
import platform
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, Results, SettingsFile, Traceback, Weights, require_results

__all__ = ["STATUS_EXIT_CODES_HELP", "status"]

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
