"""A training as commands run it: with progress on stderr, and with the largest batches that fit into memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
    run: Callable[[Settings, Sequence[torch.device], Callable[[TrainingProgress], None]], Result],
    *,
    devices: int | None,
    quiet: bool,
) -> Result:
    """The result of a run, with its progress shown and with the largest batches that fit into memory.

    devices : number of them, see training_devices
    """
    from pipeline.cli.progress import show_step_progress
    from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_devices

    def run_with_batch(batch: int, used: Sequence[torch.device]) -> Result:
        if used[0].type == "cpu" and not quiet:
            typer.echo(cpu_notice(settings.steps * batch), err=True)
        where = used[0] if len(used) == 1 else f"{len(used)} x {used[0].type}"
        with show_step_progress(f"Training on {where}", quiet=quiet) as step:
            resized = settings.model_copy(update={"batch": batch})
            return run(resized, used, lambda progress: step(progress.step, progress.steps))

    return run_with_fitting_batch(
        run_with_batch,
        batch=settings.batch,
        devices=training_devices(devices),
        notify=lambda text: typer.echo(text, err=True),
    )
