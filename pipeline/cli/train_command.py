"""``clutchlight train``: on phantoms alone, or further on a centre's own labels with phantoms beside them; and networks
before and after, for ``clutchlight bench``.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, Quiet, Traceback, misused

if TYPE_CHECKING:
    import torch

    from models.training import TrainingProgress
    from pipeline.bench.label_metrics import LabelMetrics
    from synthetic.training.training_run import TrainingSettings

    Settings = TypeVar("Settings", bound=TrainingSettings)

__all__ = ["compare_networks", "train"]

Result = TypeVar("Result")


def train(
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            metavar="FILE",
            help="TOML file like the shipped configs/training.toml; with --labels like configs/training_labels.toml, "
            "which is taken if none is given.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where the trained network goes.")] = Path(
        "clutchlight.safetensors"
    ),
    start: Annotated[
        Path | None, typer.Option("--from", metavar="WEIGHTS", help="A network of the same shape to begin with.")
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option("--labels", metavar="DIR", help="Written by clutchlight labels; teach WEIGHTS further on them."),
    ] = None,
    allow_regression: Annotated[
        bool,
        typer.Option("--allow-regression", help="Write a network that became worse on held-back labels or phantoms."),
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Train the network on phantoms, on a GPU if there is one, and measure it on others.

    With --labels, teach a trained one further on frames that people answered for, with phantoms beside them, and
    measure it before and after on labels held back; one that became worse is not written. The same command continues
    a run that was stopped. Its curves lie beside the network as CSV.
    """
    with handle_errors(traceback):
        if labels is None:
            if config is None or allow_regression:
                raise typer.Exit(misused("Give --config FILE; or --labels DIR, to which --allow-regression belongs."))
            _on_phantoms(config, out, start, quiet=quiet, as_json=as_json)
        elif start is None:
            raise typer.Exit(misused("--labels needs --from WEIGHTS, the network to teach further."))
        else:
            _on_labels(config, out, start, labels, allow_regression=allow_regression, quiet=quiet, as_json=as_json)


def _on_phantoms(config: Path, out: Path, start: Path | None, *, quiet: bool, as_json: bool) -> None:
    from synthetic.training.training_run import load_training_settings, run_training

    figures = _trained(
        load_training_settings(config),
        lambda settings, device, report: run_training(settings, out, device=device, report=report, start=start),
        quiet=quiet,
    )
    if as_json:
        typer.echo(json.dumps(figures.document(), indent=2))
    elif not quiet:
        typer.echo("\n".join(figures.lines()))
        typer.echo(_next_step(out))


def _on_labels(
    config: Path | None, out: Path, start: Path, labels: Path, *, allow_regression: bool, quiet: bool, as_json: bool
) -> None:
    from configs.reading import config_path
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings, run_fine_tuning

    wanted = load_fine_tuning_settings(config or config_path("training_labels.toml"))
    labelled = read_labels(labels, max_frames_per_clip=wanted.max_frames_per_clip)
    change = _trained(
        wanted,
        lambda settings, device, report: run_fine_tuning(
            settings,
            out,
            start=start,
            labelled=labelled,
            device=device,
            report=report,
            allow_regression=allow_regression,
        ),
        quiet=quiet,
    )
    if as_json:
        typer.echo(json.dumps(change.document(), indent=2))
    elif not quiet:
        typer.echo("\n".join(change.lines()))
    if not change.is_written:
        typer.echo(
            f"The network became worse, so {out} was not written. Review more exams or teach it more gently; or run "
            "again with --allow-regression to write it all the same: what was trained is kept in the checkpoint "
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
        f"Use it with --weights {weights}"
    )


def compare_networks(labels: Path, before: Path | None, after: Path) -> LabelMetrics:
    """What ``clutchlight bench --labels`` shows, on as many frames of each clip as training on labels reads.

    before : None for the shipped network
    """
    from configs.reading import config_path
    from models.runtime import shipped_weights
    from pipeline.bench.label_metrics import compare_networks_on_labels
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings
    from synthetic.training.training_device import training_device

    frames = load_fine_tuning_settings(config_path("training_labels.toml")).max_frames_per_clip
    labelled = read_labels(labels, max_frames_per_clip=frames)
    return compare_networks_on_labels(labelled, before or shipped_weights(), after, device=training_device())


def _trained(
    settings: Settings,
    run: Callable[[Settings, torch.device, Callable[[TrainingProgress], None]], Result],
    *,
    quiet: bool,
) -> Result:
    """What a run returns, with as large batches as fit and with its progress shown."""
    from pipeline.cli.progress import show_step_progress
    from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_device

    def fitting(batch: int, device: torch.device) -> Result:
        if device.type == "cpu" and not quiet:
            typer.echo(cpu_notice(settings.steps * batch), err=True)
        with show_step_progress(f"Training on {device}", quiet=quiet) as step:
            smaller = settings.model_copy(update={"batch": batch})
            return run(smaller, device, lambda progress: step(progress.step, progress.steps))

    return run_with_fitting_batch(
        fitting, batch=settings.batch, device=training_device(), notify=lambda text: typer.echo(text, err=True)
    )
