"""A pool of processes on many machines: jobs are given to the scheduler of a Dask cluster.

Dask chooses the worker and gives the job to another one if that is lost. Workers do only jobs of nights to which they
were admitted (`pipeline.cluster.night_on_worker`). Recordings do not pass through the scheduler: the job of a clip
holds the path of its file, and the worker reads it from the storage that all machines share. That of an exam holds its
scans.
"""

from __future__ import annotations

import heapq
import logging
import pickle
import time
import uuid
from collections import Counter
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any

import dask.config
from distributed import Client, KilledWorker

from pipeline.cluster.messages import TOPIC, Admitted, Message, Outcome, Ready, Refused, Started, StepsDone, decoded
from pipeline.cluster.night_on_worker import NightOnWorker, do_job
from pipeline.cluster.time_limit import within
from pipeline.settings import Settings
from pipeline.settings_tables import ClusterSettings
from pipeline.worker.job_loop import Progress
from pipeline.worker.job_pool import JobEnd, JobLostError, PoolLostError, Preparation, UnsuitableProcessError
from pipeline.worker.limits import clip_limits
from pipeline.worker.worker import WorkerError

__all__ = ["DaskPool", "open_dask_pool"]

log = logging.getLogger(__name__)

# Common practice, no source.
CONNECT_S = 20.0  # within which the scheduler must answer
FIRST_WORKERS_S = 30.0  # for those that are there to load the network, so that most of them choose it
POLL_S = 1.0
CLOSE_S = 10.0  # for the workers to hear that the night is over; one that hangs must not delay its end
FEWEST_GIVEN, GIVEN_PER_SLOT = 8, 2  # jobs that the scheduler has at a time
# The scans of an exam are sent with its job, and Dask warns of jobs larger than 10 MB.
ANY_SIZE = {"distributed.admin.large-graph-warning-threshold": "1 TB"}


@dataclass(order=True)
class _Job:
    """Those with the lowest priority and number first.

    has_started : which is reported only once;  future : Dask's, while the scheduler has the job
    """

    priority: int
    number: int
    content: bytes = field(compare=False)
    on_start: Callable[[], None] = field(compare=False)
    on_progress: Progress = field(compare=False)
    on_end: JobEnd = field(compare=False)
    has_started: bool = field(default=False, compare=False)
    future: Any = field(default=None, compare=False)

    def start(self) -> None:
        if not self.has_started:
            self.has_started = True
            self.on_start()

    def progress(self, steps: int) -> None:
        self.start()  # the message of its start may have been lost with a worker
        if steps:
            self.on_progress(steps)


def open_dask_pool(address: str, name: str, preparation: Preparation, settings: Settings, jobs: int) -> DaskPool:
    """`OpenPool` with its first two arguments. name : the same for all nights with the same output folder"""
    return DaskPool(address, name, preparation, settings)


class DaskPool:
    """The `JobPool` of a cluster."""

    def __init__(self, address: str, name: str, preparation: Preparation, settings: Settings) -> None:
        """address : of the scheduler, like "tcp://head:8786";  name : of the nights that may not run at the same time

        Raises PoolLostError if the scheduler does not answer, or no worker can do the jobs.
        """
        self._address = address
        self._name = f"clutchlight {name}"
        self._night = uuid.uuid4().hex
        self._settings: ClusterSettings = settings.cluster
        self._silence_s = settings.cluster.wait_seconds + settings.run.clip_seconds
        self._numbers = count()
        self._waiting: list[_Job] = []
        self._given: dict[str, _Job] = {}
        self._news: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._last_sign = time.monotonic()
        self._ready: dict[str, Any] = {}
        self._slots: dict[str, int] = {}
        self._refused: dict[str, str] = {}
        self._processor_s: dict[tuple[str, int], float] = {}
        self.peak_memory_mib = 0
        try:
            self._client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, ImportError) as error:
            raise PoolLostError(
                f"{address}: no Dask scheduler answers there ({error}). Start one (dask scheduler), correct the "
                "address, or run without --cluster."
            ) from error
        try:
            self._client.subscribe_topic(TOPIC, self._receive)
            self._set_state(None)
            plugin = NightOnWorker(self._name, self._night, pickle.dumps(preparation), clip_limits(settings.run))
            failure = within(FIRST_WORKERS_S, self._client.register_plugin, plugin, self._name)
            if failure is not None:
                log.warning("%s: a worker of the cluster cannot begin: %s", address, failure)
            self.description = self._choose()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> DaskPool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def size(self) -> int:
        """As in `JobPool`; workers come and go."""
        return sum(self._slots.values())

    @property
    def processor_s(self) -> float:
        return sum(self._processor_s.values())

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
        content = pickle.dumps((function, arguments))
        job = _Job(0 if at_once else 1, next(self._numbers), content, on_start, on_progress, on_end)
        heapq.heappush(self._waiting, job)
        self._give()

    def wait(self, is_over: Callable[[], bool]) -> None:
        """As in `JobPool`."""
        self._last_sign = time.monotonic()  # what was done before is heard only now
        while not is_over():
            with suppress(Empty):
                self._news.get(timeout=POLL_S)()
            self._check()

    def close(self) -> None:
        """As in `JobPool`. What the scheduler still has is forgotten there when the connection ends."""
        if self._client.status == "running":
            within(CLOSE_S, self._client.set_metadata, [self._name], None)
            within(CLOSE_S, self._client.unregister_worker_plugin, self._name)
        within(CLOSE_S, self._client.close)

    def _choose(self) -> Any:
        """What most of the workers have that are there. The others do nothing, and are named."""
        begun = self._last_sign = time.monotonic()

        def are_known() -> bool:
            try:
                workers = self._client.scheduler_info()["workers"]
            except OSError as error:
                raise self._lost("the scheduler of the cluster was lost") from error
            missing = set(workers) - set(self._ready) - set(self._refused)
            if self._refused and not missing and not self._ready:
                raise self._lost("no worker of the cluster can do this")
            return bool(self._ready) and (not missing or time.monotonic() - begun > FIRST_WORKERS_S)

        self.wait(are_known)
        numbers = Counter(self._ready.values())
        chosen = max(sorted(numbers, key=str), key=numbers.__getitem__)
        self._set_state(chosen)
        return chosen

    def _set_state(self, description: Any) -> None:
        """Tell all workers, also later ones, which night it is and what it uses."""
        state = {"night": self._night, "description": None if description is None else pickle.dumps(description)}
        self._client.set_metadata([self._name], state)

    def _give(self) -> None:
        """Give the scheduler as much as keeps the workers busy; what has begun cannot be overtaken any more."""
        limit = max(FEWEST_GIVEN, GIVEN_PER_SLOT * self.size)
        resources = {self._name: 1} | ({self._settings.worker_tag: 1} if self._settings.worker_tag else {})
        while self._waiting and len(self._given) < limit:
            job = heapq.heappop(self._waiting)
            key = f"{self._name} {self._night} {next(self._numbers)}"  # another one if it is given again
            self._given[key] = job
            with dask.config.set(ANY_SIZE):
                job.future = self._client.submit(
                    do_job, self._name, key, job.content, key=key, priority=-job.priority, resources=resources
                )
            job.future.add_done_callback(partial(self._report_end, key))

    def _report_end(self, key: str, future: Any) -> None:
        """Called in a thread of Dask's."""
        self._news.put(partial(self._end, key))

    def _end(self, key: str) -> None:
        job = self._given.pop(key)
        end: Future[Any] = Future()
        try:
            outcome: Outcome = pickle.loads(job.future.result())
            job.future = None  # with which the workers forget it
        except CancelledError as error:
            raise self._lost("the scheduler of the cluster was lost") from error
        except KilledWorker as error:
            self._last_sign = time.monotonic()
            end.set_exception(JobLostError(f"{error.allowed_failures + 1} workers of the cluster that had it ended"))
        except Exception as error:
            end.set_exception(error)
        else:
            self._processor_s[outcome.worker, outcome.slot] = outcome.processor_s
            self.peak_memory_mib = max(self.peak_memory_mib, outcome.peak_memory_mib)
            if _is_fault_of_worker(outcome.error):
                self._refuse(outcome.worker, str(outcome.error))
                heapq.heappush(self._waiting, job)
                self._give()
                return
            self._last_sign = time.monotonic()
            job.progress(outcome.steps)
            if outcome.error is None:
                end.set_result(outcome.result)
            else:
                end.set_exception(outcome.error)
        self._give()
        job.start()
        job.on_end(end)

    def _refuse(self, worker: str, reason: str) -> None:
        if self._refused.get(worker) != reason:
            self._refused[worker] = reason
            log.warning("%s, worker %s: %s.", self._address, worker, reason)

    def _check(self) -> None:
        """Raises PoolLostError if nothing more can be expected."""
        if self._client.status != "running":
            raise self._lost("the scheduler of the cluster was lost")
        if time.monotonic() - self._last_sign > self._silence_s:
            raise self._lost(f"no worker of the cluster has done anything for {self._silence_s:,.0f} s")

    def _lost(self, reason: str) -> PoolLostError:
        workers = "".join(f" Worker {address}: {reason}." for address, reason in self._refused.items())
        return PoolLostError(
            f"{self._address}: {reason}, so this run ends; finished clips are kept. See to the scheduler and its "
            f"workers, then run again to continue.{workers}"
        )

    def _receive(self, event: tuple[float, Any]) -> None:
        """Called in a thread of Dask's."""
        message = decoded(self._night, event[1])
        if message is not None:
            self._news.put(partial(self._hear, message))

    def _hear(self, message: Message) -> None:
        match message:
            case Ready(worker, description):
                self._ready[worker] = description
            case Admitted(worker, slots):
                self._slots[worker] = slots
                self._give()
            case Refused(worker, reason):
                self._refuse(worker, reason)
            case Started(key) if key in self._given:
                self._given[key].start()
            case StepsDone(key, steps) if key in self._given:
                self._last_sign = time.monotonic()
                self._given[key].progress(steps)


def _is_fault_of_worker(error: BaseException | None) -> bool:
    return isinstance(error, WorkerError) or (isinstance(error, UnsuitableProcessError) and not error.is_so_here())
