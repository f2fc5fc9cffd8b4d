"""One process for each device that trains: they start together, and when one of them fails, all end."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Protocol, TypeVar, cast

import torch
from torch import distributed

from models.device_group import ALONE, DeviceGroup
from models.errors import ClutchlightError

__all__ = ["DeviceError", "DeviceTask", "Reporter", "run_on_devices"]

# The longest wait for another device: while one measures the network, the others wait for it.
_LONGEST_WAIT = timedelta(hours=2)
# After the first failure, how long to wait for a better reason: those that lose contact may be heard first.
_SECONDS_FOR_REASONS = 2.0
_SECONDS_TO_END = 10.0

Reporter = Callable[[Any], None]
Result = TypeVar("Result")
Result_co = TypeVar("Result_co", covariant=True)


class DeviceError(ClutchlightError):
    """A process that trained with others has ended."""


class DeviceTask(Protocol[Result_co]):
    """What each device does. The first one has a result; only its reports are passed on."""

    def __call__(self, group: DeviceGroup, device: torch.device, report: Reporter) -> Result_co | None: ...


def run_on_devices(task: DeviceTask[Result], devices: Sequence[torch.device], report: Reporter) -> Result:
    """The task's result on the first device, which works together with the others, each in a process of its own.

    task : is pickled, as its reports, result and errors are;  report : called in this process. One device alone works
    in this process. GPUs talk through NCCL; the CPU, or one GPU that is named several times, through Gloo.

    Raises what the task raises on any device, and DeviceError if a process is gone without a word.
    """
    if len(devices) == 1:
        return cast(Result, task(ALONE, devices[0], report))
    with _started(task, devices) as members:
        while True:
            for member in _ready(members):
                message = member.receive()
                if isinstance(message, _Failure):
                    raise _reason(message, members)
                if member.rank == 0 and isinstance(message, _Done):
                    return cast(Result, message.result)
                if isinstance(message, _Progress):
                    report(message.report)


@dataclass(frozen=True)
class _Progress:
    report: Any


@dataclass(frozen=True)
class _Done:
    result: Any


@dataclass(frozen=True)
class _Failure:
    error: Exception

    @property
    def order(self) -> int:
        """The most telling first. A device that loses contact with another one has a bare RuntimeError."""
        if isinstance(self.error, DeviceError):
            return 1
        lost_contact = type(self.error) is RuntimeError or isinstance(self.error, distributed.DistError)
        return 2 if lost_contact else 0


@dataclass
class _Member:
    """A device's process as the starting one sees it."""

    rank: int
    device: torch.device
    process: SpawnProcess
    pipe: Connection
    is_done: bool = False

    def receive(self) -> _Progress | _Done | _Failure:
        try:
            message: _Progress | _Done | _Failure = self.pipe.recv()
        except (EOFError, OSError):
            self.process.join(_SECONDS_TO_END)
            code = self.process.exitcode
            end = f"killed by {signal.Signals(-code).name}" if code is not None and code < 0 else f"exit code {code}"
            message = _Failure(
                DeviceError(
                    f"The process of device {self.rank + 1} ({self.device}) ended unexpectedly ({end}), so the "
                    "training was stopped on all devices. The same command continues it from its last checkpoint."
                )
            )
        self.is_done = not isinstance(message, _Progress)
        return message


def _ready(members: Sequence[_Member], seconds: float | None = None) -> list[_Member]:
    """Those that have something to say, or are gone."""
    pipes = {member.pipe: member for member in members if not member.is_done}
    return [pipes[pipe] for pipe in wait(list(pipes), seconds) if isinstance(pipe, Connection)]


def _reason(first: _Failure, members: Sequence[_Member]) -> Exception:
    """The failure behind the others: one that fails makes the others lose contact."""
    failures, until = [first], time.monotonic() + _SECONDS_FOR_REASONS
    while (left := until - time.monotonic()) > 0 and min(failure.order for failure in failures) > 0:
        messages = [member.receive() for member in _ready(members, left)]
        failures += [message for message in messages if isinstance(message, _Failure)]
        if all(member.is_done for member in members):
            break
    return min(failures, key=lambda failure: failure.order).error


@contextmanager
def _started(task: DeviceTask[Any], devices: Sequence[torch.device]) -> Iterator[list[_Member]]:
    """The processes of the devices, which are ended in any case."""
    context = multiprocessing.get_context("spawn")  # a forked child of a process that uses a GPU hangs
    members = []
    with TemporaryDirectory() as folder:
        try:
            for rank, device in enumerate(devices):
                pipe, other_end = context.Pipe()
                arguments = (task, rank, tuple(devices), Path(folder) / "meeting-point", other_end)
                process = context.Process(target=_work, args=arguments, name=f"clutchlight-{device}")
                process.start()
                other_end.close()
                members.append(_Member(rank, device, process, pipe))
            yield members
        finally:
            finished = all(member.is_done for member in members)
            for member in members:
                member.pipe.close()  # tells those that are done to end
                if not finished:
                    member.process.terminate()
            for member in members:
                member.process.join(_SECONDS_TO_END)
                if member.process.exitcode is None:
                    member.process.kill()
                    member.process.join()


def _work(
    task: DeviceTask[Any], rank: int, devices: Sequence[torch.device], meeting_point: Path, pipe: Connection
) -> None:
    """The life of one process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that started this one ends it
    threading.Thread(target=_end_with_parent, daemon=True).start()
    group, device = DeviceGroup(rank, len(devices)), devices[rank]
    try:
        _join(group, devices, meeting_point)
        result = task(group, device, (lambda report: pipe.send(_Progress(report))) if rank == 0 else _ignore)
        pipe.send(_Done(result if rank == 0 else None))
    except Exception as error:
        error.add_note(f"On device {rank + 1} ({device}):\n{traceback.format_exc()}")
        with suppress(OSError):
            pipe.send(_Failure(_sendable(error)))
    # All leave the group together, when the first one is done.
    with suppress(EOFError, OSError):
        pipe.recv()
    if distributed.is_initialized():
        distributed.destroy_process_group()


def _join(group: DeviceGroup, devices: Sequence[torch.device], meeting_point: Path) -> None:
    device = devices[group.rank]
    is_on_gpus = device.type == "cuda" and len(set(devices)) == len(devices)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    else:
        torch.set_num_threads(max(1, len(os.sched_getaffinity(0)) // group.size))
    if sys.platform == "linux":
        os.environ.setdefault("GLOO_SOCKET_IFNAME", "lo")  # all are on this machine
    distributed.init_process_group(
        "nccl" if is_on_gpus else "gloo",
        init_method=meeting_point.as_uri(),
        rank=group.rank,
        world_size=group.size,
        timeout=_LONGEST_WAIT,
        device_id=device if is_on_gpus else None,
    )


def _ignore(report: object) -> None:
    pass


def _sendable(error: Exception) -> Exception:
    """The error itself, or its text if it cannot be pickled and read again."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return DeviceError(f"{type(error).__name__}: {error}")
    return error


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
