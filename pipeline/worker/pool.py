"""Several workers that do jobs side by side, for one thread that gives the jobs and takes what comes of them.

A thread waits for each worker. Nothing else happens in these threads: whatever a job reports is handled where the jobs
were given, in `WorkerPool.wait`, so that callers need no locks.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from queue import PriorityQueue, SimpleQueue
from threading import Thread
from types import TracebackType
from typing import Any

from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress
from pipeline.worker.job_pool import JobEnd, Preparation, run_at_once
from pipeline.worker.limits import WorkerLimits, clip_limits
from pipeline.worker.worker import Worker

__all__ = ["WorkerPool", "open_worker_pool"]

_ENDING, _AT_ONCE, _IN_TURN = range(3)


@dataclass(frozen=True, order=True)
class _Job:
    """One entry of the queue, the lowest first. function : None ends the thread that takes it"""

    priority: int
    number: int
    function: Callable[..., Any] | None = field(default=None, compare=False)
    arguments: tuple[Any, ...] = field(default=(), compare=False)
    on_start: Callable[[], None] = field(default=lambda: None, compare=False)
    on_progress: Progress = field(default=lambda steps: None, compare=False)
    on_end: JobEnd = field(default=lambda end: None, compare=False)


def open_worker_pool(preparation: Preparation, settings: Settings, jobs: int) -> WorkerPool:
    """As many processes as the settings say, which share the cores of this machine."""
    cores = len(os.sched_getaffinity(0))
    processes = max(1, min(settings.run.processes or cores, jobs))
    return WorkerPool(preparation, clip_limits(settings.run), processes, threads=max(1, cores // processes))


class WorkerPool:
    """The `JobPool` of this machine: up to ``size`` workers, started when there is a job for them."""

    def __init__(self, preparation: Preparation, limits: WorkerLimits, size: int, *, threads: int = 1) -> None:
        """limits, threads : as in `Worker`. Raises as `OpenPool` does."""
        self._workers = [Worker(preparation.prepare, limits, threads=threads) for _ in range(size)]
        self._threads: list[Thread] = []
        self._numbers = count()
        self._todo: PriorityQueue[_Job] = PriorityQueue()
        self._news: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._unfinished = 0
        try:
            self.description = run_at_once(self, preparation.describe)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def size(self) -> int:
        """How many jobs it does side by side."""
        return len(self._workers)

    @property
    def peak_memory_mib(self) -> int:
        """The most resident memory that any process held."""
        return max(worker.peak_memory_mib for worker in self._workers)

    @property
    def processor_s(self) -> float:
        """Processor time of all processes, up to the last job that each of them ended."""
        return sum(worker.processor_s for worker in self._workers)

    def submit(
        self,
        function: Callable[..., Any],
        *arguments: Any,
        on_start: Callable[[], None] = lambda: None,
        on_progress: Progress = lambda steps: None,
        on_end: JobEnd,
        at_once: bool = False,
    ) -> None:
        """As in `JobPool`."""
        priority = _AT_ONCE if at_once else _IN_TURN
        self._unfinished += 1
        self._todo.put(_Job(priority, next(self._numbers), function, arguments, on_start, on_progress, on_end))
        if len(self._threads) < min(self._unfinished, len(self._workers)):
            thread = Thread(target=self._serve, args=(self._workers[len(self._threads)],), daemon=True)
            self._threads.append(thread)
            thread.start()

    def wait(self, is_over: Callable[[], bool]) -> None:
        """Handle what the workers report until ``is_over``, which a job's end must bring about."""
        while not is_over():
            self._news.get()()

    def close(self) -> None:
        """End all processes, also amid their jobs, of which nothing is reported any more."""
        for worker in self._workers:
            worker.stop()
        for _ in self._threads:
            self._todo.put(_Job(_ENDING, next(self._numbers)))
        for thread in self._threads:
            thread.join()
        self._threads = []

    def _serve(self, worker: Worker) -> None:
        """Runs in a thread of its own for each worker."""
        while (job := self._todo.get()).function is not None:
            self._news.put(job.on_start)
            end: Future[Any] = Future()
            try:
                result = worker.run(job.function, *job.arguments, progress=partial(self._report, job.on_progress))
                end.set_result(result)
            except BaseException as error:
                end.set_exception(error)
            self._news.put(partial(self._finish, job.on_end, end))
        worker.close()

    def _report(self, on_progress: Progress, steps: int) -> None:
        self._news.put(partial(on_progress, steps))

    def _finish(self, on_end: JobEnd, end: Future[Any]) -> None:
        self._unfinished -= 1
        on_end(end)
