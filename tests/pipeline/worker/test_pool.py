from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future
from functools import partial
from typing import Any

import pytest

from pipeline.worker.job_pool import Preparation, run_at_once
from pipeline.worker.limits import WorkerLimits
from pipeline.worker.pool import WorkerPool
from pipeline.worker.worker import JobKilledError
from tests.pipeline.worker import jobs

PREPARATION = Preparation(partial(jobs.prepare, 1), jobs.describe)
LIMITS = WorkerLimits(memory_mib=128, seconds=20.0, seconds_per_step=1.0)


def must_not_end(end: Future[Any]) -> None:
    pytest.fail("a job that was ended is reported")


@pytest.fixture
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(PREPARATION, LIMITS, 2) as pool:
        yield pool


def test_jobs_run_side_by_side_and_are_reported_in_this_thread(pool: WorkerPool) -> None:
    started: list[int] = []
    steps: list[int] = []
    ends: list[Future[Any]] = []
    for number in range(4):
        pool.submit(
            jobs.steps,
            4,
            0.01,
            on_start=partial(started.append, number),
            on_progress=steps.append,
            on_end=ends.append,
        )
    assert (pool.description, pool.size, started, ends) == (1, 2, [], [])
    pool.wait(lambda: len(ends) == 4)
    assert started == [0, 1, 2, 3]
    assert [end.result() for end in ends] == [4] * 4
    assert sum(steps) == 4 * sum([2] * 4)
    assert pool.processor_s >= 0
    assert pool.peak_memory_mib > 0


def test_what_a_job_raises_reaches_its_end_and_the_others_go_on(pool: WorkerPool) -> None:
    with pytest.raises(JobKilledError):
        run_at_once(pool, jobs.die)
    assert run_at_once(pool, jobs.steps, 2, 0.0) == 2


def test_closing_does_not_wait_for_jobs() -> None:
    with WorkerPool(PREPARATION, LIMITS, 2) as pool:
        run_at_once(pool, jobs.steps, 1, 0.0)
        for _ in range(3):
            pool.submit(jobs.wait, on_end=must_not_end)
        before = time.monotonic()
    assert time.monotonic() - before < LIMITS.seconds / 2
