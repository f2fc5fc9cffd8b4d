"""A pool of workers without other processes. To start and end those takes much of the time of a small batch."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from itertools import count
from queue import PriorityQueue
from types import TracebackType
from typing import Any

from pipeline.worker.job_loop import Progress
from pipeline.worker.job_pool import JobEnd, Preparation, run_at_once
from pipeline.worker.limits import WorkerLimits

__all__ = ["PoolInThisProcess"]


class PoolInThisProcess:
    """In place of `pipeline.worker.pool.WorkerPool`: does each job in `wait`, one after the other and without limits.

    What goes to a process and comes back is pickled all the same.
    """

    peak_memory_mib = 1
    processor_s = 0.0
    size = 1

    def __init__(self, preparation: Preparation, limits: WorkerLimits, size: int, *, threads: int = 1) -> None:
        self._todo: PriorityQueue[tuple[bool, int, Callable[[], None]]] = PriorityQueue()
        self._numbers = count()
        self._kept = _pickled(preparation.prepare)()
        self.description = run_at_once(self, preparation.describe)

    def __enter__(self) -> PoolInThisProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def submit(
        self,
        function: Callable[..., Any],
        *arguments: Any,
        on_start: Callable[[], None] = lambda: None,
        on_progress: Progress = lambda steps: None,
        on_end: JobEnd,
        at_once: bool = False,
    ) -> None:
        job, sent = _pickled((function, arguments))
        do = partial(self._do, partial(job, self._kept, on_progress, *sent), on_start, on_end)
        self._todo.put((not at_once, next(self._numbers), do))

    def wait(self, is_over: Callable[[], bool]) -> None:
        while not is_over():
            self._todo.get_nowait()[-1]()

    def close(self) -> None:
        """Jobs that still wait are never done."""
        self._todo = PriorityQueue()

    def _do(self, job: Callable[[], Any], on_start: Callable[[], None], on_end: JobEnd) -> None:
        on_start()
        end: Future[Any] = Future()
        try:
            end.set_result(_pickled(job()))
        except BaseException as error:
            end.set_exception(error)
        on_end(end)


def _pickled(value: Any) -> Any:
    return pickle.loads(pickle.dumps(value))
