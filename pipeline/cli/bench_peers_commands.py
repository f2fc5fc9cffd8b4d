"""``clutchlight bench peers-environment`` and ``run-methods``: the peers, in an environment of their own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.method_runner import MethodTuning, Tries, TuningFrames, TuningSet, run_methods
from pipeline.cli.options import Quiet, SettingsFile, Traceback, misused

__all__ = ["make_peers_environment", "run_peer_methods"]


def make_peers_environment(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make, or to complete.")],
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Make an environment for methods, trackers and formats of others, which bring another OpenCV.

    It takes about 1 GB and a few minutes, and lies over this installation, which it does not change. The versions are
    in configs/peers.txt.
    """
    with handle_errors(traceback):
        from pipeline.bench.peers.environment import make_environment
        from pipeline.cli.progress import show_step_progress

        with show_step_progress(f"Installing into {folder}", quiet=quiet):
            python = make_environment(folder)
        if not quiet:
            typer.echo(f"To compare with what is in it: clutchlight bench compare DATASET --peers {folder}")
            typer.echo(f"Its interpreter: {python}")


def run_peer_methods(
    data_set: Annotated[Path, typer.Argument(metavar="DATASET", help="Folder with exams and ground truth.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results; created if missing.")],
    methods: Annotated[
        list[str] | None,
        typer.Option(
            "--method",
            metavar="MODULE:FUNCTION",
            help="A method, with ,SETTING=VALUE as often as wanted; by default all classical peers that are installed. "
            "Repeatable.",
        ),
    ] = None,
    tuning_set: TuningSet = None,
    tries: Tries = 40,
    tuning_frames: TuningFrames = 200,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the tuning.")] = 0,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Tune methods and run them over the frames of a data set, without the batch.

    The detections of each are in DIR/method-N/detections.json as COCO results, which bench accuracy --results and
    bench compare --results read; the settings are in DIR/methods.json.
    """
    with handle_errors(traceback):
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.peers.available import available_peers
        from pipeline.settings import load_settings

        if tuning_set is not None and tuning_set.resolve() == data_set.resolve():
            raise typer.Exit(misused("--tune-on needs another data set than the one that is measured."))
        tuning = MethodTuning(tuning_set, tries, tuning_frames, seed)
        names = methods or available_peers()
        run_methods(open_data_set(data_set), names, out, tuning, load_settings(settings), quiet=quiet)
