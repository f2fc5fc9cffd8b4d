"""``clutchlight bench attacks``: attack the program, and say what came of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, Quiet, SettingsFile, Traceback, misused

__all__ = ["run_all_attacks"]


def run_all_attacks(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the attacks; created if missing.")],
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only",
            metavar="ATTACK",
            help="One of nights, writers, media, side-files, bit-flips, forgeries, without-login; by default all. "
            "Repeatable.",
        ),
    ] = None,
    quick: Annotated[bool, typer.Option("--quick", help="A few of each: a minute in place of an hour.")] = False,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the random numbers.")] = 0,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Attack the program: kills, hostile files, flipped bits, forged answers, requests without login.

    The figures are printed and written to DIR/attacks.json. The exit code is 1 if an attack did harm. DIR is for the
    attacks alone: they run on folders of their own, never on yours.
    """
    with handle_errors(traceback):
        from pipeline.attacks.run_attacks import ATTACKS, FULL, QUICK, run_attacks
        from pipeline.cli.progress import show_step_progress
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        unknown = sorted({*(only or ())} - {*ATTACKS})
        if unknown:
            raise typer.Exit(misused(f"There is no attack {unknown[0]}. There are {', '.join(ATTACKS)}."))
        with show_step_progress("Attacking", quiet=quiet) as step:
            report = run_attacks(
                out,
                QUICK if quick else FULL,
                seed,
                load_settings(settings),
                only=frozenset(only or ATTACKS),
                progress=step,
            )
        document = json.dumps(report.document(), indent=2) + "\n"
        write_atomically(out / "attacks.json", [document.encode()])
        typer.echo(document if as_json else report.table(), nl=not as_json)
        raise typer.Exit(ExitCode.DONE if report.passed else ExitCode.UNEXPECTED)
