"""What does jobs in other processes, wherever these are: on this machine (``pool``) or on many."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Protocol, Self

from models.errors import ClutchlightError
from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress

__all__ = [
    "JobEnd",
    "JobLostError",
    "JobPool",
    "OpenPool",
    "PoolLostError",
    "Preparation",
    "UnsuitableProcessError",
    "run_at_once",
]

JobEnd = Callable[["Future[Any]"], None]
"""Called with the end of a job: ``result()`` returns what the job returned, or raises as `Worker.run` does, or
JobLostError."""


class JobLostError(Exception):
    """A job whose processes were lost again and again, for reasons that may not be its own. A later run tries again."""


class UnsuitableProcessError(Exception):
    """A job that this process cannot do, but perhaps one on another machine. The text says why."""

    def is_so_here(self) -> bool:
        """Whether the same stands in the way in the process that asks."""
        return True


class PoolLostError(ClutchlightError):
    """No job can be done any more. The text says why and what to do."""


@dataclass(frozen=True)
class Preparation:
    """What each process does before its first job. Both are sent by pickle.

    prepare : returns the first argument of every job, for example a loaded network
    describe : a job whose answer decides what comes of all others; it must be the same in all processes, can be
        compared and hashed, and as a string can be read by people
    """

    prepare: Callable[[], Any]
    describe: Callable[[Any, Progress], Any]


class JobPool(Protocol):
    """Does jobs side by side, for one thread that gives them and takes what comes of them. Use it in a ``with``
    statement.

    description : what `Preparation.describe` returned
    size : how many jobs it does side by side now
    peak_memory_mib : the most resident memory that any process held
    processor_s : processor time of all processes, up to the last job that each of them ended
    """

    @property
    def description(self) -> Any: ...
    @property
    def size(self) -> int: ...
    @property
    def peak_memory_mib(self) -> int: ...
    @property
    def processor_s(self) -> float: ...

    def __enter__(self) -> Self: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def submit(
        self,
        function: Callable[..., Any],
        *arguments: Any,
        on_start: Callable[[], None] = ...,
        on_progress: Progress = ...,
        on_end: JobEnd,
        at_once: bool = False,
    ) -> None:
        """Do a job, as in `Worker.run`, when a process is free and those given before have begun.

        The functions are called in `wait`. at_once : before all others that wait
        """

    def wait(self, is_over: Callable[[], bool]) -> None:
        """Handle what the processes report until ``is_over``, which a job's end must bring about.

        Raises PoolLostError.
        """

    def close(self) -> None:
        """End all processes, also amid their jobs, of which nothing is reported any more."""


OpenPool = Callable[[Preparation, Settings, int], JobPool]
"""Opens a pool for so many jobs at most. Raises what `Preparation.prepare` raises, WorkerError if a process cannot be
started, and PoolLostError."""


def run_at_once(pool: JobPool, function: Callable[..., Any], *arguments: Any) -> Any:
    """Do a job before all others that wait, and wait for its result. Raises as `Worker.run` does, and JobLostError."""
    ends: list[Future[Any]] = []
    pool.submit(function, *arguments, on_end=ends.append, at_once=True)
    pool.wait(lambda: bool(ends))
    return ends[0].result()
