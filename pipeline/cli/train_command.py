"""``clutchlight train``: train on phantoms, or fine-tune on a centre's own labels mixed with phantoms.

Also compares a network before and after fine-tuning, for ``clutchlight bench --labels``.
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
            help="TOML file like configs/training.toml. With --labels it is a file like configs/training_labels.toml, "
            "which is the default.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File for the trained network.")] = Path(
        "clutchlight.safetensors"
    ),
    start: Annotated[
        Path | None,
        typer.Option("--from", metavar="WEIGHTS", help="Start with this network, of the same shape."),
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option("--labels", metavar="DIR", help="Fine-tune WEIGHTS on the output of clutchlight labels."),
    ] = None,
    allow_regression: Annotated[
        bool,
        typer.Option(
            "--allow-regression", help="Write the network even if it is worse on held-out labels or phantoms."
        ),
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Train the network on phantoms, on a GPU if there is one, and measure it on other phantoms.

    With --labels, fine-tune a trained network on frames that people reviewed, mixed with phantoms, and measure it on
    held-out labels before and after. A network that became worse is not written. The same command continues an
    interrupted run. The learning curves are written as CSV next to the network.
    """
    with handle_errors(traceback):
        if labels is None:
            if config is None or allow_regression:
                raise typer.Exit(misused("Give --config FILE, or --labels DIR; --allow-regression needs --labels."))
            _train_on_phantoms(config, out, start, quiet=quiet, as_json=as_json)
        elif start is None:
            raise typer.Exit(misused("--labels needs --from WEIGHTS, the network to fine-tune."))
        else:
            _fine_tune(config, out, start, labels, allow_regression=allow_regression, quiet=quiet, as_json=as_json)


def _train_on_phantoms(config: Path, out: Path, start: Path | None, *, quiet: bool, as_json: bool) -> None:
    from synthetic.training.training_run import load_training_settings, run_training

    metrics = _run_with_progress(
        load_training_settings(config),
        lambda settings, device, report: run_training(settings, out, device=device, report=report, start=start),
        quiet=quiet,
    )
    if as_json:
        typer.echo(json.dumps(metrics.document(), indent=2))
    elif not quiet:
        typer.echo("\n".join(metrics.lines()))
        typer.echo(f"Use it with --weights {out}")


def _fine_tune(
    config: Path | None, out: Path, start: Path, labels: Path, *, allow_regression: bool, quiet: bool, as_json: bool
) -> None:
    from configs.reading import config_path
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings, run_fine_tuning

    fine_tuning = load_fine_tuning_settings(config or config_path("training_labels.toml"))
    labelled = read_labels(labels, max_frames_per_clip=fine_tuning.max_frames_per_clip)
    change = _run_with_progress(
        fine_tuning,
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
            f"The network became worse, so {out} was not written. Review more exams, or lower the learning rate. To "
            "write it nevertheless, run again with --allow-regression: the trained network is kept in the checkpoint "
            f"{out.with_suffix('.checkpoint')}.",
            err=True,
        )
        raise typer.Exit(ExitCode.REGRESSION)
    if not quiet and not as_json:
        typer.echo(f"Use it with --weights {out}")


def compare_networks(labels: Path, before: Path | None, after: Path) -> LabelMetrics:
    """The metrics of two networks on the same labels, for ``clutchlight bench --labels``.

    before : None for the shipped network
    As many frames of each clip are used as for fine-tuning.
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


def _run_with_progress(
    settings: Settings,
    run: Callable[[Settings, torch.device, Callable[[TrainingProgress], None]], Result],
    *,
    quiet: bool,
) -> Result:
    """Run a training with the largest batch size that fits into memory, and show its progress."""
    from pipeline.cli.progress import show_step_progress
    from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_device

    def run_with_batch(batch: int, device: torch.device) -> Result:
        if device.type == "cpu" and not quiet:
            typer.echo(cpu_notice(settings.steps * batch), err=True)
        with show_step_progress(f"Training on {device}", quiet=quiet) as step:
            adjusted = settings.model_copy(update={"batch": batch})
            return run(adjusted, device, lambda progress: step(progress.step, progress.steps))

    return run_with_fitting_batch(
        run_with_batch, batch=settings.batch, device=training_device(), notify=lambda text: typer.echo(text, err=True)
    )
