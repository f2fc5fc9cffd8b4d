"""The processes that film clips side by side, each on one of the devices."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import cycle, islice
from multiprocessing.queues import SimpleQueue

import torch

from synthetic.errors import PhantomError

__all__ = ["film_devices", "filming_device", "start_filming_processes"]

_devices_of_process = ["cpu"]


def film_devices(name: str) -> tuple[str, ...]:
    """The devices that a user means: all visible GPUs by "cuda", else the one of that name.

    Raises PhantomError if there is none.
    """
    try:
        device = torch.device(name)
    except RuntimeError as error:
        raise PhantomError(f"There is no device {name!r}. Give cpu, cuda, or cuda:1 for the second GPU.") from error
    if device.type != "cuda":
        return (name,)
    there = torch.cuda.device_count() if torch.cuda.is_available() else 0
    if there <= (device.index or 0):
        raise PhantomError(f"{name} cannot be used: PyTorch finds {there} GPUs here. Give cpu, or leave it out.")
    return (name,) if device.index is not None else tuple(f"cuda:{index}" for index in range(there))


def start_filming_processes(devices: Sequence[str], processes: int | None, jobs: int) -> ProcessPoolExecutor:
    """A pool whose processes take the devices in turn.

    processes : by default one for each processor, which a GPU needs, too, since it waits for commands most of the time;
    at most one for each of the jobs
    """
    # A process per clip is faster than several threads per picture, which wait for each other.
    number = min(jobs, processes or len(os.sched_getaffinity(0)))
    context = multiprocessing.get_context("spawn")
    names: SimpleQueue[str] = context.SimpleQueue()
    for name in islice(cycle(devices), number):
        names.put(name)
    return ProcessPoolExecutor(number, context, _begin, (names,))


def filming_device() -> str:
    """The device of this process; the CPU in one that was not started for filming."""
    return _devices_of_process[-1]


def _begin(names: SimpleQueue[str]) -> None:
    torch.set_num_threads(1)
    _devices_of_process.append(names.get())
    if filming_device().startswith("cuda"):
        torch.cuda.set_device(filming_device())
