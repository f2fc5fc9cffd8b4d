"""A training as commands run it: with progress on stderr, and with the largest batches that fit into memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import typer

if TYPE_CHECKING:
    import torch

    from models.training import TrainingProgress
    from synthetic.training.training_run import TrainingSettings

    Settings = TypeVar("Settings", bound=TrainingSettings)

__all__ = ["run_with_progress"]

Result = TypeVar("Result")


def run_with_progress(
    settings: Settings,
    run: Callable[[Settings, torch.device, Callable[[TrainingProgress], None]], Result],
    *,
    quiet: bool,
) -> Result:
    """The result of a run, with its progress shown and with the largest batches that fit into memory."""
    from pipeline.cli.progress import show_step_progress
    from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_device

    def run_with_batch(batch: int, device: torch.device) -> Result:
        if device.type == "cpu" and not quiet:
            typer.echo(cpu_notice(settings.steps * batch), err=True)
        with show_step_progress(f"Training on {device}", quiet=quiet) as step:
            resized = settings.model_copy(update={"batch": batch})
            return run(resized, device, lambda progress: step(progress.step, progress.steps))

    return run_with_fitting_batch(
        run_with_batch, batch=settings.batch, device=training_device(), notify=lambda text: typer.echo(text, err=True)
    )
