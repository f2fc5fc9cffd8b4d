"""Where a training run runs: on a GPU with as large a batch as its free memory holds, else on the CPU."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable
from typing import TypeVar

import torch

__all__ = ["MIN_BATCH", "cpu_notice", "run_with_fitting_batch", "training_device"]

# With fewer pictures a step the network's normalisations are of little worth (common practice, no source).
MIN_BATCH = 16
# Rendering and learning, on one core of a server's processor without a GPU; measured.
_PICTURES_A_SECOND_AND_CORE = 5.0

Result = TypeVar("Result")


def training_device() -> torch.device:
    """A GPU if there is one that can be used."""
    return torch.device("cuda" if torch.cuda.is_available() else "cpu")


def cpu_notice(pictures: int) -> str:
    """How long a run over so many pictures takes here without a GPU, in a sentence."""
    cores = len(os.sched_getaffinity(0))
    hours = pictures / (_PICTURES_A_SECOND_AND_CORE * cores) / 3600
    if hours >= 48:
        length = f"{hours / 24:.0f} days"
    else:
        length = f"{hours:.0f} hours" if hours >= 2 else f"{60 * hours:.0f} minutes"
    return (
        f"Training on the CPU: {pictures:,} pictures take about {length} on {cores} cores (at "
        f"{_PICTURES_A_SECOND_AND_CORE:g} a second and core, as on a server's processor); a GPU takes minutes."
    )


def run_with_fitting_batch(
    run: Callable[[int, torch.device], Result], *, batch: int, device: torch.device, notify: Callable[[str], None]
) -> Result:
    """``run(batch, device)``; each time the GPU's memory is full, again with half the batch, and below 16 on the CPU.

    notify : told in a sentence what was full and how it goes on. Whatever else ``run`` raises is raised.
    """
    wanted = batch
    while True:
        try:
            return run(batch, device)
        except (torch.OutOfMemoryError, torch.AcceleratorError) as error:
            if device.type == "cpu" or not _is_full(error):
                raise
        # Outside the except clause, whose error holds on to all that was in memory.
        gc.collect()
        torch.cuda.empty_cache()
        full = f"The GPU's memory is full{_room(device)}: {batch} pictures a step do not fit."
        if batch // 2 >= MIN_BATCH:
            batch //= 2
            notify(
                f"{full} Going on with {batch}. Free the GPU and run again for the batch of {wanted} in the settings."
            )
        else:
            batch, device = wanted, torch.device("cpu")
            notify(f"{full} Going on on the CPU. Free the GPU and run again to train there.")


def _is_full(error: Exception) -> bool:
    # A GPU that is full before the first tensor fails with the driver's words for it.
    return isinstance(error, torch.OutOfMemoryError) or "out of memory" in str(error)


def _room(device: torch.device) -> str:
    try:
        free, total = torch.cuda.mem_get_info(device)
    except (RuntimeError, AssertionError):  # too full to ask, or no such GPU
        return ""
    return f" ({free / 2**30:.1f} of {total / 2**30:.1f} GiB free)"
