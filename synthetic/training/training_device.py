"""The devices of a training run: GPUs, with the largest batch that fits into their memory, else the CPU."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Sequence
from typing import TypeVar

import torch

from models.training import TrainingError

__all__ = ["MIN_BATCH", "cpu_notice", "run_with_fitting_batch", "training_device", "training_devices"]

# Batch normalisation needs at least about this many pictures per step (common practice, no source).
MIN_BATCH = 16
# Rendering and training on a server processor without a GPU; measured.
_PICTURES_PER_SECOND_AND_CORE = 5.0

Result = TypeVar("Result")


def training_device() -> torch.device:
    """A GPU if a usable one is there, else the CPU."""
    return torch.device("cuda" if torch.cuda.is_available() else "cpu")


def training_devices(number: int | None = None) -> tuple[torch.device, ...]:
    """That many devices: GPUs, by default all that are visible, or, without any, processes on the CPU, by default one.

    Raises TrainingError if there are fewer GPUs.
    """
    if not torch.cuda.is_available():
        return (torch.device("cpu"),) * (number or 1)
    there = torch.cuda.device_count()
    if number is not None and number > there:
        raise TrainingError(f"{number} devices were asked for, but only {there} GPUs can be used here.")
    number = number or there
    return (torch.device("cuda"),) if number == 1 else tuple(torch.device("cuda", index) for index in range(number))


def cpu_notice(pictures: int) -> str:
    """A sentence: how long a run over that many pictures takes on this machine without a GPU."""
    cores = len(os.sched_getaffinity(0))
    hours = pictures / (_PICTURES_PER_SECOND_AND_CORE * cores) / 3600
    if hours >= 48:
        length = f"{hours / 24:.0f} days"
    else:
        length = f"{hours:.0f} hours" if hours >= 2 else f"{60 * hours:.0f} minutes"
    return (
        f"Training on the CPU: {pictures:,} pictures take about {length} on {cores} cores (at "
        f"{_PICTURES_PER_SECOND_AND_CORE:g} per second and core, as on a server processor). A GPU takes minutes."
    )


def run_with_fitting_batch(
    run: Callable[[int, Sequence[torch.device]], Result],
    *,
    batch: int,
    devices: Sequence[torch.device],
    notify: Callable[[str], None],
) -> Result:
    """``run(batch, devices)``, repeated with half the batch whenever a GPU's memory is full, below 16 on the CPU.

    notify : called with a sentence on each such change. All other errors of ``run`` are raised.
    """
    requested = batch
    while True:
        try:
            return run(batch, devices)
        except (torch.OutOfMemoryError, torch.AcceleratorError) as error:
            if devices[0].type == "cpu" or not _is_full(error):
                raise
        # Outside the except clause, since the error keeps everything alive that was in memory.
        gc.collect()
        torch.cuda.empty_cache()
        full = f"The GPU's memory is full{_free_memory(devices[0])}: {batch} pictures per step do not fit."
        if batch // 2 >= MIN_BATCH:
            batch //= 2
            notify(f"{full} Continuing with {batch}. To train with {requested}, free the GPU and run again.")
        else:
            batch, devices = requested, (torch.device("cpu"),)
            notify(f"{full} Continuing on the CPU. To train on the GPU, free it and run again.")


def _is_full(error: Exception) -> bool:
    # If the GPU is full before the first tensor, the error is the driver's own.
    return isinstance(error, torch.OutOfMemoryError) or "out of memory" in str(error)


def _free_memory(device: torch.device) -> str:
    try:
        free, total = torch.cuda.mem_get_info(device)
    except (RuntimeError, AssertionError):  # too full to answer, or no such GPU
        return ""
    return f" ({free / 2**30:.1f} of {total / 2**30:.1f} GiB free)"
