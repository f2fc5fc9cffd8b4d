"""A process that does jobs one by one. It is ended at a limit of memory or time, and a new one takes its place."""

from __future__ import annotations

import multiprocessing
import pickle
import signal
import threading
import time
from collections.abc import Callable
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from types import TracebackType
from typing import Any, Literal

from models.errors import ClutchlightError
from pipeline.worker.job_loop import Done, Failed, Progress, StepsDone, serve
from pipeline.worker.library_threads import use_threads
from pipeline.worker.limits import WorkerLimits
from pipeline.worker.process_use import held_mib, peak_mib, processor_s

__all__ = ["PRELOADED_MODULES", "JobKilledError", "KillCause", "Worker", "WorkerError", "WorkerStoppedError"]

KillCause = Literal["memory", "time", "crash"]

# Limits are checked so often. The fastest program fills some 100 MiB in that time (3 GB/s of new pages).
POLL_INTERVAL_S = 0.05
# A longer time between two checks was not the job's: this process was stopped (Ctrl+Z), and its worker with it.
MAX_COUNTED_INTERVAL_S = 1.0
# A process that has closed its pipe ends within this time.
ENDING_S = 5.0
# Imported once, in this order, before the first worker is forked: what clips need, then what exams need.
PRELOADED_MODULES = [
    "pipeline.worker.server_start",
    "pipeline.scan.clip_scan",
    "scipy.optimize",
    "pipeline.batch.exam_job",
    "jinja2",
    "reportlab.pdfgen.canvas",
]


class WorkerError(ClutchlightError):
    """A worker process that ends before it is ready."""


class WorkerStoppedError(Exception):
    """A job that was ended because nobody waits for it any more."""


class JobKilledError(Exception):
    """A job that killed its worker or went beyond a limit. The text says which: "took more than 60 s".

    cause : "memory" or "time" for a limit, "crash" if the process ended by itself
    """

    def __init__(self, cause: KillCause, text: str) -> None:
        super().__init__(text)
        self.cause = cause

    def __reduce__(self) -> tuple[type[JobKilledError], tuple[KillCause, str]]:
        """For pickle, which would otherwise forget the cause."""
        return JobKilledError, (self.cause, str(self))


class Worker:
    """A process with something that takes long to load, such as a network. Close it when done.

    The process is forked from a server process that was started afresh (``multiprocessing``, "forkserver"), so it has
    none of this program's threads and files.

    peak_memory_mib : the most resident memory that any of its processes held
    processor_s : processor time of its processes, up to the last job that was ended
    """

    def __init__(self, prepare: Callable[[], Any], limits: WorkerLimits, *, threads: int = 1) -> None:
        """prepare : called in each new process; returns the first argument of every job. It is sent by pickle.

        threads : how many the libraries of the process may use
        """
        self._prepare = pickle.dumps(partial(_prepare, prepare, threads))
        self._limits = limits
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(PRELOADED_MODULES)
        self._process: ForkServerProcess | None = None
        self._pipe: Connection | None = None
        self._limit_mib = 0
        self._is_stopped = threading.Event()
        self._processor_s_of_former = 0.0
        self._processor_s_of_process = 0.0
        self.peak_memory_mib = 0

    def __enter__(self) -> Worker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the process. A further job would start a new one."""
        if self._process is None or self._pipe is None:
            return
        self._note_use()
        self._processor_s_of_former, self._processor_s_of_process = self.processor_s, 0.0
        self._process.kill()
        self._process.join()
        self._pipe.close()
        self._process = self._pipe = None

    @property
    def processor_s(self) -> float:
        return self._processor_s_of_former + self._processor_s_of_process

    def stop(self) -> None:
        """End the job that runs, and do no other: `run` raises WorkerStoppedError. Another thread may call this."""
        self._is_stopped.set()

    def run(self, job: Callable[..., Any], *arguments: Any, progress: Progress = lambda steps: None) -> Any:
        """The result of ``job(prepared, report_steps, *arguments)`` in the process, which is started if necessary.

        job : a function at the top of a module, since it is sent by pickle, as are its arguments and its result
        progress : called with the number of steps that the job reports

        Raises JobKilledError, WorkerError if the process cannot be started, WorkerStoppedError, and whatever the job
        raises.
        """
        pipe = self._ready_pipe()
        try:
            pipe.send_bytes(pickle.dumps((job, arguments)))
            outcome = self._outcome(pipe, progress)
        except BaseException:
            self.close()  # it is busy with a job that nobody waits for
            raise
        self._note_use()
        if isinstance(outcome, Failed):
            outcome.error.add_note(outcome.trace)
            raise outcome.error
        return outcome.result

    def _outcome(self, pipe: Connection, progress: Progress) -> Done | Failed:
        """Wait for the end of a job. Raises JobKilledError."""
        allowed_s, spent_s, checked = self._limits.seconds, 0.0, time.monotonic()
        while True:
            message = self._received(pipe)
            if isinstance(message, StepsDone):
                allowed_s += message.steps * self._limits.seconds_per_step
                progress(message.steps)
            elif message is not None:
                return message
            now = time.monotonic()
            spent_s, checked = spent_s + min(now - checked, MAX_COUNTED_INTERVAL_S), now
            self._check_limits(spent_s, allowed_s)

    def _received(self, pipe: Connection) -> StepsDone | Done | Failed | None:
        """The next message; None if there was none for a while."""
        try:
            message: StepsDone | Done | Failed | None = pipe.recv() if pipe.poll(POLL_INTERVAL_S) else None
        except (EOFError, OSError):
            raise JobKilledError("crash", f"crashed ({self._ending()})") from None
        return message

    def _check_limits(self, spent_s: float, allowed_s: float) -> None:
        assert self._process is not None
        if self._is_stopped.is_set():
            raise WorkerStoppedError
        if spent_s > allowed_s:
            raise JobKilledError("time", f"took more than {allowed_s:,.0f} s")
        if held_mib(self._process.pid or 0) > self._limit_mib:
            raise JobKilledError("memory", f"took more than {self._limits.memory_mib:,} MiB of memory")

    def _ready_pipe(self) -> Connection:
        if self._pipe is not None and self._pipe.poll():
            self.close()  # it ended between two jobs, which is not the next one's fault; an idle process sends nothing
        if self._pipe is None:
            self._start()
        assert self._pipe is not None
        return self._pipe

    def _start(self) -> None:
        """Raises WorkerError, and whatever ``prepare`` raises."""
        pipe, other_end = self._context.Pipe()
        process = self._context.Process(target=serve, args=(other_end,), daemon=True)
        try:
            process.start()
        except BaseException:
            pipe.close()  # with which the process ends, if there is one
            raise
        finally:
            other_end.close()
        self._process, self._pipe = process, pipe
        try:
            pipe.send_bytes(self._prepare)
            answer = pipe.recv()
        except (EOFError, OSError):
            raise WorkerError(
                f"The process that reads clips ended while it was loading ({self._ending()}). If the memory is used "
                "up, end other programs; then run again."
            ) from None
        if isinstance(answer, Failed):
            self.close()
            answer.error.add_note(answer.trace)
            raise answer.error
        self._limit_mib = held_mib(process.pid or 0) + self._limits.memory_mib

    def _ending(self) -> str:
        """How a process ended that closed its pipe: the name of a signal, or an exit code."""
        assert self._process is not None
        self._process.join(ENDING_S)
        code = self._process.exitcode or 0
        self.close()
        if code == -signal.SIGXCPU:
            signal.raise_signal(signal.SIGXCPU)  # a limit of the whole program (ulimit -t), not of the job
        return signal.Signals(-code).name if code < 0 else f"exit code {code}"

    def _note_use(self) -> None:
        if self._process is not None:
            process = self._process.pid or 0
            self.peak_memory_mib = max(self.peak_memory_mib, peak_mib(process))
            self._processor_s_of_process = max(self._processor_s_of_process, processor_s(process))


def _prepare(prepare: Callable[[], Any], threads: int) -> Any:
    use_threads(threads)
    return prepare()
