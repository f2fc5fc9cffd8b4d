"""``clutchlight bench repeat``: what a manifest describes, once more, and whether the figures are the same."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import Quiet, Traceback, misused

__all__ = ["repeat_bench"]

_MOST_DIFFERENCES = 20  # that are printed


def repeat_bench(
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="manifest.json that a bench wrote.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for results and figures; a new one.")],
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Run a bench again as its manifest says, in the folder in which it was run, and compare the figures.

    What differs of program, network, settings, packages and processor is said on stderr. The exit code is 1 if a figure
    differs.
    """
    with handle_errors(traceback):
        from pipeline.bench_report.differences import figure_differences, manifest_differences
        from pipeline.bench_report.manifest import read_manifest

        before, target = read_manifest(manifest), out.resolve()
        if target == manifest.resolve().parent:
            raise typer.Exit(misused("--out needs another folder than that of the manifest."))
        # A process of its own, as the first time: nothing that this one has loaded or set can matter.
        command = [sys.executable, "-m", "pipeline", *before.arguments, "--out", str(target)]
        folder = before.folder if Path(before.folder).is_dir() else None
        shown = subprocess.DEVNULL if quiet else None
        done = subprocess.run(command, cwd=folder, stdout=shown, check=False)
        if done.returncode != ExitCode.DONE:
            raise typer.Exit(done.returncode)
        for sentence in manifest_differences(before, read_manifest(target / "manifest.json")):
            typer.echo(f"differs: {sentence}", err=True)
        old, new = (
            json.loads((each / before.figures).read_text(encoding="utf-8")) for each in (manifest.parent, target)
        )
        differences = list(figure_differences(old, new))
        for place, one, other in differences[:_MOST_DIFFERENCES]:
            typer.echo(f"{place}: {one}, now {other}")
        if len(differences) > _MOST_DIFFERENCES:
            typer.echo(f"{len(differences) - _MOST_DIFFERENCES} more")
        typer.echo(f"{len(differences)} figures differ." if differences else "All figures are the same.")
        raise typer.Exit(ExitCode.UNEXPECTED if differences else ExitCode.DONE)
