"""What runs in each worker of a Dask cluster during a night: jobs are done in processes under limits of their own.

A worker of Dask runs jobs in threads, so a clip that crashes or fills the memory would end it, and all that it does.
Therefore each thread has a process (`pipeline.worker.worker`), as on one machine.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import pickle
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from typing import Any

from distributed import Status, WorkerPlugin, get_worker
from distributed import Worker as DaskWorker

from pipeline.cluster.messages import TOPIC, Admitted, Message, Outcome, Ready, Refused, Started, StepsDone, encoded
from pipeline.worker.job_pool import Preparation, UnsuitableProcessError
from pipeline.worker.limits import WorkerLimits
from pipeline.worker.worker import Worker, WorkerError

__all__ = ["NightOnWorker", "do_job"]

# Common practice, no source.
ANNOUNCE_S = 1.0  # between two messages of a worker that is not yet admitted
TEND_S = 20.0  # between two looks at whether the night is still the same
PAUSE_S = 20.0  # without jobs, of a worker that could not do one
IDLE_S = 600.0  # after which an unused process is ended; a job starts it again
REPORT_S = 0.5  # between two messages about the steps of a job


class NightOnWorker(WorkerPlugin):  # type: ignore[misc]  # Dask's types are not read
    """Dask sets it up in every worker, also in those that join later.

    The worker loads what jobs need, says what it has, and waits until the night has chosen one description. If it is
    this worker's, the worker gets ``name`` as a resource, which every job of the night requires.
    """

    def __init__(self, name: str, night: str, preparation: bytes, limits: WorkerLimits) -> None:
        """name : of the plugin, the resource and the state of the night;  night : an id

        preparation : a `Preparation`, pickled, so that the scheduler need not know what is in it
        """
        self.name = name
        self._night = night
        self._preparation = preparation
        self._limits = limits

    def setup(self, worker: DaskWorker) -> None:
        self._worker = worker
        self._slots = worker.state.nthreads
        self._numbers = count()
        self._idle: list[tuple[float, int, Worker]] = []
        self._busy: dict[int, Worker] = {}
        self._is_over = False
        self._tending = asyncio.create_task(self._tend())

    async def teardown(self, worker: DaskWorker) -> None:
        self._tending.cancel()
        self._end()
        with suppress(OSError, KeyError):  # the scheduler, or this worker for it, may be gone
            await self._offer(0)

    def do(self, key: str, job: bytes) -> Outcome:
        """Do a job in a process. It runs in one of Dask's threads."""
        slot, process = self._take()
        reporter = _StepReporter(lambda steps: self._tell(StepsDone(key, steps)))
        result: Any = None
        error: Exception | None = None
        try:
            self._tell(Started(key))
            function, arguments = pickle.loads(job)
            result = process.run(function, *arguments, progress=reporter)
        except (UnsuitableProcessError, WorkerError) as cause:
            error = cause
            self._worker.loop.add_callback(self._pause)
        except Exception as cause:
            error = cause
        finally:
            self._give_back(slot, process)
        use = process.processor_s, process.peak_memory_mib
        return Outcome(result, error, self._worker.address, slot, reporter.unreported, *use)

    def _take(self) -> tuple[int, Worker]:
        try:
            _, slot, process = self._idle.pop()  # the one used last; single calls of a list need no lock
        except IndexError:
            preparation: Preparation = pickle.loads(self._preparation)
            threads = max(1, len(os.sched_getaffinity(0)) // self._slots)
            slot, process = next(self._numbers), Worker(preparation.prepare, self._limits, threads=threads)
        self._busy[slot] = process
        if self._is_over:
            process.stop()
        return slot, process

    def _give_back(self, slot: int, process: Worker) -> None:
        del self._busy[slot]
        if self._is_over:
            process.close()
        else:
            self._idle.append((time.monotonic(), slot, process))

    async def _tend(self) -> None:
        """Say what this worker has until it is admitted; then end what is idle, and all when the night is over."""
        try:
            description = await asyncio.to_thread(self._describe)
        except Exception as error:
            self._tell(Refused(self._worker.address, str(error)))
            return
        is_admitted = False
        while not self._is_over:
            try:
                state = await self._worker.scheduler.get_metadata(keys=[self.name], default=None)
            except OSError:  # if the scheduler is lost for good, Dask ends this worker
                await asyncio.sleep(ANNOUNCE_S)
                continue
            if state is None or state["night"] != self._night:
                break
            if not is_admitted and state["description"] is None:
                self._tell(Ready(self._worker.address, description))
            elif not is_admitted:
                chosen = pickle.loads(state["description"])
                if description != chosen:
                    reason = f"it has {description}, and this night uses {chosen}"
                    self._tell(Refused(self._worker.address, reason))
                    break
                is_admitted = True
                await self._offer(self._slots)
                self._tell(Admitted(self._worker.address, self._slots))
            await asyncio.sleep(TEND_S if is_admitted else ANNOUNCE_S)
            self._end_idle()
        self._end()

    def _describe(self) -> Any:
        if multiprocessing.current_process().daemon:
            raise WorkerError(
                "it may start no processes; start it with dask worker --no-nanny, or with "
                "DASK_DISTRIBUTED__WORKER__DAEMON=False in its environment"
            )
        preparation: Preparation = pickle.loads(self._preparation)
        slot, process = self._take()
        try:
            return process.run(preparation.describe)
        finally:
            self._give_back(slot, process)

    async def _pause(self) -> None:
        """Take no job for a while, so that others do what this worker cannot do."""
        await self._offer(0)
        await asyncio.sleep(PAUSE_S)
        if not self._is_over:
            await self._offer(self._slots)

    async def _offer(self, slots: int) -> None:
        """Do so many jobs side by side from now on."""
        await self._worker.set_resources(**{self.name: slots})
        if slots and self._worker.status == Status.running:
            # The scheduler looks for a worker for jobs that had none only when one begins or goes on.
            self._worker.status = Status.paused
            self._worker.status = Status.running

    def _end_idle(self) -> None:
        used_lately = time.monotonic() - IDLE_S
        for entry in [entry for entry in self._idle if entry[0] < used_lately]:
            try:
                self._idle.remove(entry)
            except ValueError:
                continue  # a job has just taken it
            entry[2].close()

    def _end(self) -> None:
        self._is_over = True
        for process in list(self._busy.values()):
            process.stop()  # the thread that waits for its job ends it
        while self._idle:
            self._idle.pop()[2].close()

    def _tell(self, message: Message) -> None:
        self._worker.log_event(TOPIC, encoded(self._night, message))


class _StepReporter:
    """Reports the steps of a job now and then, not each of them. unreported : since the last report"""

    def __init__(self, report: Callable[[int], None]) -> None:
        self._report = report
        self._reported = time.monotonic()
        self.unreported = 0

    def __call__(self, steps: int) -> None:
        self.unreported += steps
        if time.monotonic() - self._reported > REPORT_S:
            self._report(self.unreported)
            self._reported, self.unreported = time.monotonic(), 0


def do_job(name: str, key: str, job: bytes) -> bytes:
    """The `Outcome` of a job in this worker of Dask, pickled. job : a function and its arguments, pickled"""
    worker = get_worker()
    plugin: NightOnWorker | None = worker.plugins.get(name)
    if plugin is None:
        error = UnsuitableProcessError("the night is over there")
        return pickle.dumps(Outcome(None, error, worker.address, 0, 0, 0.0, 0))
    return pickle.dumps(plugin.do(key, job))
