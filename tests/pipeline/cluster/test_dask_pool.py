"""Jobs on a real cluster: where they are done, and what is said where they cannot be."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="dask is not installed (the extra cluster)")

from pipeline.cli.exit_codes import ExitCode
from pipeline.cluster import dask_pool
from pipeline.cluster.dask_pool import DaskPool
from pipeline.settings import Settings, load_settings
from pipeline.worker.job_pool import PoolLostError, Preparation, run_at_once
from pipeline.worker.worker import JobKilledError
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.cluster.dask_processes import DaskProcesses
from tests.pipeline.conftest import Clutchlight
from tests.pipeline.worker import jobs

LOADED = load_settings()
PREPARATION = Preparation(partial(jobs.prepare, 1), jobs.describe_place)


def settings(tag: str = "") -> Settings:
    cluster = LOADED.cluster.model_copy(update={"worker_tag": tag})
    return LOADED.model_copy(update={"cluster": cluster})


@pytest.fixture(scope="module")
def dask(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaskProcesses]:
    """Two workers, of which one has a GPU by its own account."""
    with DaskProcesses(tmp_path_factory.mktemp("dask")) as dask:
        dask.start_worker(PLACE="plain")
        dask.start_worker("--no-nanny", "--resources", "GPU=1", PLACE="with GPU")
        dask.wait_for_workers(2)
        yield dask


def places(pool: DaskPool, number: int, *forbidden: str) -> list[str]:
    """Where so many jobs were done that can be done anywhere but in the forbidden places."""
    ends: list[Future[Any]] = []
    for _ in range(number):
        pool.submit(jobs.place, *forbidden, on_end=ends.append)
    pool.wait(lambda: len(ends) == number)
    return [end.result() for end in ends]


def test_jobs_are_done_where_they_can_be(dask: DaskProcesses, caplog: pytest.LogCaptureFixture) -> None:
    with DaskPool(dask.address, "test", PREPARATION, settings()) as pool:
        assert pool.description == "the same everywhere"
        assert set(places(pool, 4)) <= {"plain", "with GPU"}
        with caplog.at_level(logging.WARNING, "pipeline.cluster"):
            assert places(pool, 4, "plain") == ["with GPU"] * 4
        assert pool.peak_memory_mib > 0
        pool.wait(lambda: pool.size == 2)
        assert run_at_once(pool, jobs.length, bytes(12_000_000)) == 12_000_000  # without a warning from Dask
        with pytest.raises(JobKilledError, match="crashed"):
            run_at_once(pool, jobs.die)
        with pytest.raises(RuntimeError, match="1 and 2"):
            run_at_once(pool, jobs.raise_error)
    assert all("not here" in record.message for record in caplog.records)


def test_a_tag_chooses_workers(dask: DaskProcesses) -> None:
    with DaskPool(dask.address, "test", PREPARATION, settings("GPU")) as pool:
        assert places(pool, 4) == ["with GPU"] * 4


def test_workers_that_differ_from_most_do_nothing(dask: DaskProcesses, caplog: pytest.LogCaptureFixture) -> None:
    dask.start_worker(PLACE="odd")
    dask.wait_for_workers(3)
    with DaskPool(dask.address, "test", PREPARATION, settings()) as pool:
        assert pool.description == "the same everywhere"
        assert "odd" not in places(pool, 6)
        pool.wait(lambda: bool(caplog.records))
    assert "it has another network, and this night uses the same everywhere" in caplog.text


def test_a_worker_that_may_start_no_processes_is_named(tmp_path: Path) -> None:
    with DaskProcesses(tmp_path) as dask:
        dask.start_worker("--nanny")
        dask.wait_for_workers(1)
        with pytest.raises(PoolLostError, match=r"no worker of the cluster can do this.*dask worker --no-nanny"):
            DaskPool(dask.address, "test", PREPARATION, settings())


def test_where_no_scheduler_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_pool, "CONNECT_S", 1.0)
    with pytest.raises(PoolLostError, match=r"tcp://127.0.0.1:9: no Dask scheduler answers there"):
        DaskPool("tcp://127.0.0.1:9", "test", PREPARATION, settings())
    with pytest.raises(PoolLostError, match="no Dask scheduler answers there"):
        DaskPool("clutch://head", "test", PREPARATION, settings())


def test_the_command_ends_with_a_sentence_where_no_scheduler_answers(
    clutchlight: Clutchlight, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_pool, "CONNECT_S", 1.0)
    write_exam_folder(tmp_path / "root", "AF-0001", {"left-1.mp4": 1}, frames=3)
    done = clutchlight("batch", tmp_path / "root", "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9")
    assert done.code == ExitCode.UNEXPECTED
    assert "tcp://127.0.0.1:9: no Dask scheduler answers there" in done.stderr
