"""What runs in a worker process: it receives jobs, does them one by one, and sends what came of them."""

from __future__ import annotations

import os
import pickle
import signal
import threading
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import Any

__all__ = ["Done", "Failed", "Progress", "StepsDone", "serve"]

# Called with the number of steps that a job has done since the last call.
Progress = Callable[[int], None]

# They reach all processes of a terminal or a session. The parent decides what they mean for a job.
_LEFT_TO_THE_PARENT = (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTERM)


@dataclass(frozen=True)
class StepsDone:
    """Sent while a job runs. steps : since the last message of this kind"""

    steps: int


@dataclass(frozen=True)
class Done:
    """Sent at the end of a job. result : what it returned"""

    result: Any


@dataclass(frozen=True)
class Failed:
    """Sent when a job raised an error. trace : where in this process it arose"""

    error: BaseException
    trace: str


def serve(pipe: Connection) -> None:
    """Do jobs until the parent closes its end of the pipe or is gone.

    The first message is a function without arguments. What it returns is kept, and is the first argument of every job.
    Each further message is a job: a function and its other arguments. It is called with the kept value, a function that
    reports progress, and these arguments.
    """
    for number in _LEFT_TO_THE_PARENT:
        signal.signal(number, signal.SIG_IGN)
    received: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_receive, args=(pipe, received), daemon=True).start()
    kept: Any = None

    def prepare() -> None:
        nonlocal kept
        kept = pickle.loads(received.get())()

    def do_job() -> Any:
        job, arguments = pickle.loads(received.get())
        return job(kept, lambda steps: pipe.send(StepsDone(steps)), *arguments)

    _send_outcome(pipe, prepare)
    while True:
        _send_outcome(pipe, do_job)


def _receive(pipe: Connection, received: SimpleQueue[bytes]) -> None:
    """Runs in a thread, so that this process also ends with its parent while a job is busy."""
    while True:
        try:
            received.put(pipe.recv_bytes())
        except (EOFError, OSError):
            os._exit(0)


def _send_outcome(pipe: Connection, work: Callable[[], Any]) -> None:
    try:
        pipe.send(Done(work()))
    except BaseException as error:
        trace = traceback.format_exc()
        pipe.send(Failed(_portable(error), trace))


def _portable(error: BaseException) -> BaseException:
    """The error itself if it survives pickling, else one that says the same."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error
