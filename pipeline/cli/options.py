"""Options and words that the commands share."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.exit_codes import ExitCode

__all__ = [
    "EXIT_CODES_HELP",
    "AllowUncalibrated",
    "AsJson",
    "EngineName",
    "EngineOption",
    "Quiet",
    "SettingsFile",
    "Traceback",
    "Weights",
    "misused",
]


class EngineName(StrEnum):
    OPENVINO = "openvino"
    TORCH = "torch"
    CUDA = "cuda"


EXIT_CODES_HELP = (
    "Exit codes: 0 all done; 1 something unexpected failed; 2 wrong usage, settings or output folder, or a network "
    "without its calibration; 3 done, but some clips could not be used; 4 nothing usable found; 5 a network taught "
    "further became worse and was not written; 75 another run works in the output folder; 130 interrupted."
)

SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="TOML file with settings of your own; it may give any subset."),
]
EngineOption = Annotated[EngineName, typer.Option("--engine", help="What runs the network; cuda needs a GPU.")]
Weights = Annotated[
    Path | None,
    typer.Option(
        "--weights", metavar="FILE", help="A network of your own, its calibration next to it; else the shipped one."
    ),
]
AllowUncalibrated = Annotated[
    bool,
    typer.Option(
        "--allow-uncalibrated",
        help="Use WEIGHTS that have no calibration of their own with the shipped one; every sheet then says so.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Say nothing but what went wrong.")]
AsJson = Annotated[bool, typer.Option("--json", help="Write the report as one JSON document to stdout.")]
Traceback = Annotated[bool, typer.Option("--traceback", help="After a failure, show where in the program it arose.")]


def misused(sentence: str) -> ExitCode:
    """Print what is wrong with the arguments to stderr; the exit code for it."""
    typer.echo(sentence, err=True)
    return ExitCode.USAGE
