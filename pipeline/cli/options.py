"""Options that several commands share, and checks of what they name."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.exit_codes import ExitCode

__all__ = [
    "AllowUncalibrated",
    "AsJson",
    "Devices",
    "EngineName",
    "EngineOption",
    "MetricsFolder",
    "Quiet",
    "Results",
    "SettingsFile",
    "Traceback",
    "Weights",
    "misused",
    "require_results",
]


class EngineName(StrEnum):
    OPENVINO = "openvino"
    TORCH = "torch"
    CUDA = "cuda"


SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="TOML file with your own settings; all keys are optional."),
]
EngineOption = Annotated[
    EngineName, typer.Option("--engine", help="What runs the network. openvino and torch use the CPU, cuda a GPU.")
]
Weights = Annotated[
    Path | None,
    typer.Option(
        "--weights",
        metavar="FILE",
        help="Your own network instead of the shipped one; its calibration must be next to it.",
    ),
]
AllowUncalibrated = Annotated[
    bool,
    typer.Option(
        "--allow-uncalibrated",
        help="Use WEIGHTS without a calibration of their own, with the shipped one. Every sheet then says so.",
    ),
]
Results = Annotated[Path, typer.Option("--out", metavar="DIR", help="The output folder of clutchlight batch.")]
MetricsFolder = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for results and metrics; created if missing.")
]
Devices = Annotated[
    int | None,
    typer.Option(
        "--devices",
        min=1,
        help="Number of GPUs to train on, by default all; without any, of processes on the CPU, by default one.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print only errors and warnings.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the report as one JSON document.")]
Traceback = Annotated[bool, typer.Option("--traceback", help="After an error, show where in the program it arose.")]


def misused(sentence: str) -> ExitCode:
    """Print what is wrong with the arguments to stderr, and return the exit code for wrong usage."""
    typer.echo(sentence, err=True)
    return ExitCode.USAGE


def require_results(out: Path) -> None:
    """Raise StoreError if ``out`` holds no results, so that a mistyped folder does not become a new, empty one."""
    from pipeline.store.output_database import has_store
    from pipeline.store.store import StoreError

    if not has_store(out):
        raise StoreError(
            f"{out}: this folder holds no results. Name the output folder of clutchlight batch with --out, or run "
            "the batch first."
        )
