"""The command ``clutchlight``, put together from its subcommands.

A subcommand reads its arguments, calls one function, and reports how it ended. Results go to stdout, everything else to
stderr. Heavy libraries are imported only by the commands that need them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Sequence
from typing import Annotated

import typer

from pipeline.cli.backup_commands import backup, check, restore
from pipeline.cli.batch_command import batch
from pipeline.cli.bench_commands import BENCH_COMMANDS
from pipeline.cli.calibrate_command import calibrate
from pipeline.cli.exit_codes import EXIT_CODES_HELP, ExitCode
from pipeline.cli.given_arguments import note_arguments
from pipeline.cli.help_style import HELP_SETTINGS, HouseCommand, HouseGroup
from pipeline.cli.night_commands import STATUS_EXIT_CODES_HELP, status, tidy
from pipeline.cli.outcome_commands import agreement, outcome
from pipeline.cli.phantom_commands import demo, phantoms
from pipeline.cli.review_commands import labels, review, users
from pipeline.cli.train_command import train
from pipeline.cli.upload_command import upload

__all__ = ["main"]

COMMANDS = (
    *(batch, status, demo, phantoms, calibrate, train, outcome, agreement, review, users, labels),
    *(backup, check, restore, tidy, upload),
)
# Monitors give exit codes a meaning of their own.
EXIT_CODES: dict[Callable[..., None], str] = {status: STATUS_EXIT_CODES_HELP}


def _unwrapped(function: Callable[..., None]) -> str:
    """The function's docstring with one line for each paragraph, since help is wrapped to the terminal's width."""
    paragraphs = (inspect.getdoc(function) or "").split("\n\n")
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)


app = typer.Typer(
    name="clutchlight",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    cls=HouseGroup,
    context_settings=HELP_SETTINGS,
)


def _clutchlight(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            callback=lambda is_given: _print_version() if is_given else None,
            is_eager=True,
            help="Print the version and exit.",
        ),
    ] = False,
) -> None:
    """Count and stage the eggs of turtles and tortoises in recorded ultrasound clips.

    To complete commands and options with the Tab key, run clutchlight --install-completion once (bash, zsh, fish,
    PowerShell).
    """


app.callback(help=_unwrapped(_clutchlight), epilog=EXIT_CODES_HELP)(_clutchlight)
for command in COMMANDS:
    app.command(
        cls=HouseCommand,
        context_settings=HELP_SETTINGS,
        help=_unwrapped(command),
        epilog=EXIT_CODES.get(command, EXIT_CODES_HELP),
    )(command)

bench = typer.Typer(
    name="bench", no_args_is_help=True, rich_markup_mode=None, cls=HouseGroup, context_settings=HELP_SETTINGS
)
for name, command in BENCH_COMMANDS.items():
    bench.command(
        name, cls=HouseCommand, context_settings=HELP_SETTINGS, help=_unwrapped(command), epilog=EXIT_CODES_HELP
    )(command)
app.add_typer(
    bench,
    help="Measure the program: its accuracy on ground truth, how it reads files, and how fast it is.",
    epilog=EXIT_CODES_HELP,
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its `ExitCode`. argv : without the program's name, None for those of the process"""
    note_arguments(sys.argv[1:] if argv is None else list(argv))
    try:
        app(args=None if argv is None else list(argv), prog_name="clutchlight")
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    return ExitCode.DONE


def _print_version() -> None:
    from pipeline import __version__

    typer.echo(f"clutchlight {__version__}")
    raise typer.Exit
