"""``clutchlight train``: training on phantoms, and fine-tuning on a centre's labels."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, Devices, Quiet, Traceback, misused
from pipeline.cli.training_runner import run_with_progress

__all__ = ["train"]


def train(
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            metavar="FILE",
            help="TOML file like the shipped configs/training.toml. With --labels, one like configs/fine_tuning.toml, "
            "which is the default.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File for the trained network.")] = Path(
        "clutchlight.safetensors"
    ),
    start: Annotated[
        Path | None, typer.Option("--from", metavar="WEIGHTS", help="A network of the same shape to start from.")
    ] = None,
    teacher: Annotated[
        Path | None,
        typer.Option(
            "--teacher",
            metavar="WEIGHTS",
            help="A trained network of any shape whose answers the new one imitates, by imitation_weight in FILE.",
        ),
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option("--labels", metavar="DIR", help="Folder written by clutchlight labels; fine-tune WEIGHTS on it."),
    ] = None,
    allow_regression: Annotated[
        bool,
        typer.Option(
            "--allow-regression", help="Write the network even if it became worse on held-back labels or phantoms."
        ),
    ] = False,
    devices: Devices = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Train the network on phantoms, on all GPUs if there are any, and measure it on other phantoms.

    With --labels, fine-tune a trained network on frames that people have reviewed, together with phantoms, and measure
    it before and after on labels held back. A network that became worse is not written. The same command continues a
    stopped run. The training log is written beside the network as CSV.
    """
    with handle_errors(traceback):
        if labels is None:
            if config is None or allow_regression:
                raise typer.Exit(misused("Give --config FILE, or --labels DIR. --allow-regression needs --labels."))
            _train_on_phantoms(config, out, start, teacher, devices, quiet=quiet, as_json=as_json)
        elif start is None or teacher is not None:
            raise typer.Exit(misused("--labels needs --from WEIGHTS, the network to fine-tune, and no --teacher."))
        else:
            _fine_tune(
                config,
                out,
                start,
                labels,
                devices,
                allow_regression=allow_regression,
                quiet=quiet,
                as_json=as_json,
            )


def _train_on_phantoms(
    config: Path,
    out: Path,
    start: Path | None,
    teacher: Path | None,
    devices: int | None,
    *,
    quiet: bool,
    as_json: bool,
) -> None:
    from synthetic.training.training_run import load_training_settings, run_training

    requested = load_training_settings(config)
    if (teacher is None) != (requested.imitation_weight == 0):
        raise typer.Exit(misused("--teacher WEIGHTS and an imitation_weight above 0 in FILE need each other."))
    metrics = run_with_progress(
        requested,
        lambda settings, used, report: run_training(
            settings, out, devices=used, report=report, start=start, teacher=teacher
        ),
        devices=devices,
        quiet=quiet,
    )
    if as_json:
        typer.echo(json.dumps(metrics.document(), indent=2))
    elif not quiet:
        typer.echo("\n".join(metrics.lines()))
        typer.echo(_next_step(out))


def _fine_tune(
    config: Path | None,
    out: Path,
    start: Path,
    labels: Path,
    devices: int | None,
    *,
    allow_regression: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    from configs.reading import config_path
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings, run_fine_tuning

    requested = load_fine_tuning_settings(config or config_path("fine_tuning.toml"))
    labelled = read_labels(labels, max_frames_per_clip=requested.max_frames_per_clip)
    result = run_with_progress(
        requested,
        lambda settings, used, report: run_fine_tuning(
            settings,
            out,
            start=start,
            labelled=labelled,
            devices=used,
            report=report,
            allow_regression=allow_regression,
        ),
        devices=devices,
        quiet=quiet,
    )
    if as_json:
        typer.echo(json.dumps(result.document(), indent=2))
    elif not quiet:
        typer.echo("\n".join(result.lines()))
    if not result.is_written:
        typer.echo(
            f"The network became worse, so {out} was not written. Review more exams, or lower the learning rate. To "
            "write it anyway, run again with --allow-regression: the trained network is kept in the checkpoint "
            f"{out.with_suffix('.checkpoint')}.",
            err=True,
        )
        raise typer.Exit(ExitCode.REGRESSION)
    if not quiet and not as_json:
        typer.echo(_next_step(out))


def _next_step(weights: Path) -> str:
    from pipeline.calibration_file import calibration_path

    return (
        f"Calibrate it: clutchlight calibrate DATASET --weights {weights} --results DIR "
        f"--out {calibration_path(weights)}\n"
        f"To use it: --weights {weights}"
    )
