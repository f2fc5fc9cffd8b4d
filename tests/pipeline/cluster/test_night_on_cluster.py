"""A whole night on a real cluster: the files of one machine, whatever happens to workers and scheduler."""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="dask is not installed (the extra cluster)")

from pipeline.batch.events import BatchEvent, ClipEnded, ClipStarted
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.batch.workers import DetectorLoader
from pipeline.cluster.dask_pool import open_dask_pool
from pipeline.settings import load_settings
from pipeline.worker.job_pool import PoolLostError
from tests.pipeline.batch.three_animals import film_three_animals
from tests.pipeline.blob_finder import BlobFinder
from tests.pipeline.cluster.dask_processes import DaskProcesses
from tests.pipeline.run_ended import contents

LOADED = load_settings()
SLOW = {"BLOB_SECONDS": "0.5"}  # a frame, so that a clip takes 20 s

Event = Callable[[BatchEvent], None]


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


@pytest.fixture(scope="module")
def fresh(filmed: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of a night on one machine."""
    out = tmp_path_factory.mktemp("fresh")
    run_batch(filmed, out, LOADED, BlobFinder)
    return contents(out)


def night(
    root: Path, out: Path, dask: DaskProcesses, on_event: Event, load_detector: DetectorLoader = BlobFinder
) -> BatchReport:
    pool = partial(open_dask_pool, dask.address, "test")
    return run_batch(root, out, LOADED, load_detector, on_event=on_event, open_pool=pool)


def statuses(report: BatchReport) -> list[str]:
    return [clip.status for exam in report.exams for clip in exam.clips]


def harm(
    process: subprocess.Popen[bytes], number: signal.Signals, then: Callable[[], object], event: BatchEvent
) -> None:
    """At the start of the first clip."""
    if isinstance(event, ClipStarted) and process.poll() is None and not process_is_stopped(process):
        process.send_signal(number)
        if number == signal.SIGKILL:
            process.wait()
        then()


def process_is_stopped(process: subprocess.Popen[bytes]) -> bool:
    return Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_worker_is_lost_amid_its_clip(
    filmed: Path, fresh: dict[str, bytes], tmp_path: Path, number: signal.Signals
) -> None:
    """Killed, or stopped so that it hangs: the clip is read by another one, which joins only then."""
    with DaskProcesses(tmp_path, DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL="10s") as dask:
        worker = dask.start_worker(**SLOW)
        dask.wait_for_workers(1)
        events: list[BatchEvent] = []

        def listen(event: BatchEvent) -> None:
            events.append(event)
            harm(worker, number, dask.start_worker, event)

        report = night(filmed, tmp_path / "out", dask, listen)
    assert statuses(report) == ["read"] * 4
    assert contents(tmp_path / "out") == fresh
    for kind in (ClipStarted, ClipEnded):
        names = [(event.animal, event.file) for event in events if isinstance(event, kind)]
        assert len(names) == len(set(names)) == 4


def test_the_scheduler_is_lost_and_the_next_night_goes_on(
    filmed: Path, fresh: dict[str, bytes], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    with DaskProcesses(tmp_path) as dask:
        dask.start_worker()
        dask.wait_for_workers(1)

        def listen(event: BatchEvent) -> None:
            if isinstance(event, ClipEnded):
                dask.scheduler.kill()

        with pytest.raises(PoolLostError, match=r"scheduler of the cluster was lost.*finished clips are kept"):
            night(filmed, out, dask, listen)
        dask.scheduler.wait()
        dask.start_scheduler()
        dask.start_worker()
        dask.wait_for_workers(1)
        report = night(filmed, out, dask, lambda event: None)
    assert set(statuses(report)) == {"kept", "read"}
    assert contents(out) == fresh
