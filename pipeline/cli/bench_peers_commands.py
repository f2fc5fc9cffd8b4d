"""``clutchlight bench peers-environment``, ``run-methods`` and ``train-peer``: what others find, beside ours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.method_runner import MethodTuning, Tries, TuningFrames, TuningSet, run_methods
from pipeline.cli.options import Quiet, SettingsFile, Traceback, misused

__all__ = ["PeerNetwork", "make_peers_environment", "run_peer_methods", "train_peer_network"]


class PeerNetwork(StrEnum):
    OURS = "ours"
    MASK_RCNN = "mask-rcnn"
    LRASPP = "lraspp"
    DEEPLAB = "deeplab"
    FCN = "fcn"
    STARDIST = "stardist"


def make_peers_environment(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make, or to complete.")],
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Make an environment for methods, trackers and formats of others, which bring another OpenCV.

    It takes 2.5 GB and a few minutes, and lies over this installation, which it does not change. The versions are
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


def train_peer_network(
    network: Annotated[
        PeerNetwork,
        typer.Argument(metavar="NETWORK", help="mask-rcnn, lraspp, deeplab or fcn of torchvision, stardist, or ours."),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File for the weights (.safetensors).")],
    minutes: Annotated[
        float,
        typer.Option("--minutes", metavar="M", help="Time to train, drawing phantoms included; the same for all."),
    ],
    batch: Annotated[
        int | None, typer.Option("--batch", min=2, help="Pictures in each step; by default as usual for the network.")
    ] = None,
    learning_rate: Annotated[
        float | None, typer.Option("--learning-rate", help="The highest; by default as usual for the network.")
    ] = None,
    animals: Annotated[
        int | None, typer.Option("--animals", min=1, help="Phantoms that the pictures show; by default as for ours.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the phantoms and of the training.")] = 1,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Train a general-purpose network, or ours, on our phantoms, from random weights, for a given time.

    On a GPU if there is one; stardist on the CPU, in an environment of bench peers-environment. The same command
    continues a stopped run. The result is a method for bench compare:
    pipeline.bench.peers.trained_network:find,weights=FILE.
    """
    with handle_errors(traceback):
        import torch

        from pipeline.bench.peers.networks import NETWORKS
        from pipeline.bench.peers.peer_training import TimedTraining, peer_training, train_peer
        from pipeline.cli.progress import show_step_progress
        from pipeline.formatting import plural
        from pipeline.worker.library_threads import available_threads
        from synthetic.training.dataset import PhantomPictures, StreamSettings
        from synthetic.training.training_device import run_with_fitting_batch, training_device

        if minutes <= 0 or not 0 < (learning_rate or 0.5) < 1:
            raise typer.Exit(misused("--minutes must be more than 0, and --learning-rate between 0 and 1."))
        given = {"batch": batch, "learning_rate": learning_rate, "animals": animals}
        chosen = {name: value for name, value in given.items() if value is not None}
        training = peer_training(network.value, minutes=minutes, seed=seed, **chosen)
        stream = StreamSettings(animals=training.animals, batch=training.batch, processes=available_threads())

        def run(size: int, devices: Sequence[torch.device]) -> TimedTraining:
            device = devices[0]
            resized = training.model_copy(update={"batch": size})
            # A GPU renders three batches in little more time than one.
            pictures = replace(stream, batch=size, batches_per_render=3 if device.type == "cuda" else 1)
            with show_step_progress(f"Training {network.value} on {device}", quiet=quiet) as step:
                return train_peer(
                    resized,
                    out,
                    lambda: PhantomPictures(pictures, seed, device),
                    device=device,
                    report=lambda used, total: step(int(used), int(total)),
                )

        done = run_with_fitting_batch(
            run,
            batch=training.batch,
            devices=(torch.device("cpu") if NETWORKS[network.value]().needs_cpu else training_device(),),
            notify=lambda text: typer.echo(text, err=True),
        )
        if not quiet:
            typer.echo(f"{plural(done.steps, 'step')}, {done.pictures:,} pictures in {minutes:g} minutes")
            typer.echo(f"To compare with it: --method pipeline.bench.peers.trained_network:find,weights={out}")
