from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from pipeline.worker.limits import WorkerLimits
from pipeline.worker.process_use import held_mib, peak_mib
from pipeline.worker.worker import JobKilledError, Worker, WorkerError
from tests.pipeline.worker import jobs

LIMITS = WorkerLimits(memory_mib=128, seconds=0.5, seconds_per_step=0.2)


@pytest.fixture
def worker() -> Iterator[Worker]:
    worker = Worker(partial(jobs.prepare, 1), LIMITS)
    yield worker
    worker.close()


def is_running(process: int) -> bool:
    return Path(f"/proc/{process}").exists()


def test_what_was_prepared_is_kept_from_job_to_job(worker: Worker) -> None:
    assert worker.run(jobs.add, 2)[0] == [1, 2]
    kept, process = worker.run(jobs.add, 3)
    assert (kept, process != os.getpid()) == ([1, 2, 3], True)
    worker.close()
    assert not is_running(process)


def test_progress_is_reported_and_gives_more_time(worker: Worker) -> None:
    reported: list[int] = []
    assert worker.run(jobs.steps, 10, 0.1, progress=reported.append) == 10  # 1 s in all
    assert reported == [2] * 10


@pytest.mark.parametrize(
    ("job", "arguments", "cause", "text"),
    [
        (jobs.wait, (), "time", "took more than 0 s"),
        (jobs.steps, (1, 600.0), "time", "took more than 0 s"),
        (jobs.die, (), "crash", "crashed (SIGSEGV)"),
    ],
)
def test_a_job_beyond_a_limit_is_ended_and_the_next_one_done(
    worker: Worker, job: object, arguments: tuple[object, ...], cause: str, text: str
) -> None:
    _, first = worker.run(jobs.add, 2)
    with pytest.raises(JobKilledError) as killed:
        worker.run(job, *arguments)  # type: ignore[arg-type]
    assert (killed.value.cause, str(killed.value)) == (cause, text)
    assert not is_running(first)
    assert worker.run(jobs.add, 3)[0] == [1, 3]


def test_a_job_that_fills_the_memory_is_ended() -> None:
    patient = Worker(partial(jobs.prepare, 1), replace(LIMITS, seconds=60.0))  # so that the time is not up before
    with pytest.raises(JobKilledError) as killed:
        patient.run(jobs.fill_memory, 4_000)
    patient.close()
    assert (killed.value.cause, str(killed.value)) == ("memory", "took more than 128 MiB of memory")


def test_memory_below_the_limit_is_allowed(worker: Worker) -> None:
    assert worker.run(jobs.fill_memory, 64) == 64
    assert worker.peak_memory_mib > 64


def test_a_job_that_nobody_waits_for_is_ended(worker: Worker) -> None:
    def broken(steps: int) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        worker.run(jobs.steps, 10, 0.1, progress=broken)
    assert worker.run(jobs.add, 3)[0] == [1, 3]


def test_errors_arrive_with_their_trace(worker: Worker) -> None:
    with pytest.raises(RuntimeError, match="UnportableError: 1 and 2") as raised:
        worker.run(jobs.raise_error)
    assert "in raise_error" in raised.value.__notes__[0]


def test_signals_for_all_processes_do_not_end_a_job(worker: Worker) -> None:
    assert worker.run(jobs.end_politely) == "still here"


def test_a_process_that_ended_between_two_jobs_is_replaced(worker: Worker) -> None:
    _, process = worker.run(jobs.add, 2)
    os.kill(process, signal.SIGKILL)
    while is_running(process):
        time.sleep(0.01)
    assert worker.run(jobs.add, 3)[0] == [1, 3]


def test_a_process_that_cannot_start_is_an_error() -> None:
    with pytest.raises(WorkerError, match=r"ended while it was loading \(exit code 3\)"):
        Worker(jobs.leave, LIMITS).run(jobs.wait)
    with pytest.raises(TypeError):
        Worker(jobs.prepare, LIMITS).run(jobs.wait)  # type: ignore[arg-type]


PROGRAM = """
from functools import partial
from pipeline.worker.limits import WorkerLimits
from pipeline.worker.worker import Worker
from tests.pipeline.worker import jobs

worker = Worker(partial(jobs.prepare, 1), WorkerLimits(1000, 600.0, 0.0))
print(worker.run(jobs.add, 2)[1], flush=True)
worker.run(jobs.wait)
"""


def test_a_busy_worker_ends_with_its_parent() -> None:
    running = subprocess.Popen(
        [sys.executable, "-c", PROGRAM], stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[3]
    )
    assert running.stdout is not None
    process = int(running.stdout.readline())
    running.kill()
    running.communicate()
    end = time.monotonic() + 20
    while is_running(process):
        assert time.monotonic() < end
        time.sleep(0.05)


def test_memory_of_a_process() -> None:
    assert 10 < held_mib(os.getpid()) <= peak_mib(os.getpid())
    assert held_mib(2**22 + 1) == 0
