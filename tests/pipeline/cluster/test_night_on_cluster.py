"""A whole night on a real cluster: the files of one machine, whatever happens to workers and scheduler."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("distributed", reason="dask is not installed (the extra cluster)")

from pipeline.batch.clip_workers import DetectorLoader
from pipeline.batch.events import BatchEvent, ClipEnded, ClipStarted
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.cluster.dask_pool import open_dask_pool
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings
from pipeline.worker.job_pool import PoolLostError
from tests.pipeline.batch.three_animals import film_three_animals
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.cluster.dask_processes import DaskProcesses
from tests.pipeline.run_ended import contents

LOADED = load_settings()
SLOW = {"BLOB_SECONDS": "0.5"}  # a frame, so that a clip takes 20 s

Event = Callable[[BatchEvent], None]


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


@pytest.fixture(scope="module")
def fresh(filmed: Path) -> dict[str, bytes]:
    """The files of a night on one machine."""
    run_batch(filmed, filmed.parent / "fresh", LOADED, BlobFinder)
    return contents(filmed.parent / "fresh")


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
    with DaskProcesses(tmp_path, DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL="20s") as dask:
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


class HarmfulOn(BlobFinder):
    """Fills the memory, hangs or crashes on the first frames of clips of so many columns."""

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        columns = frames[0].grey.shape[1] if frames else 0
        if columns == 176:
            np.ones(2**31, np.uint8)
        elif columns == 160:
            time.sleep(600)
        elif columns == 144:
            os.kill(os.getpid(), signal.SIGSEGV)
        return super().detect(frames, sector)


def test_harmful_clips_are_refused_as_on_one_machine(tmp_path: Path) -> None:
    root = tmp_path / "root"
    folder = write_exam_folder(root, "AF-0001", {"left-1.mp4": 1}, frames=12)
    for columns in (176, 160, 144):
        pictures = [picture[:, :columns] for picture in film(1, frames=12, seed=columns)]
        write_video(folder / f"left-{columns}.mp4", pictures)
    limits = {"clip_memory_mib": 256, "clip_seconds": 40.0, "clip_seconds_per_frame": 0.0}
    settings = LOADED.model_copy(update={"run": LOADED.run.model_copy(update=limits)})
    one = run_batch(root, tmp_path / "one", settings, HarmfulOn)
    with DaskProcesses(tmp_path) as dask:
        dask.start_worker()
        dask.wait_for_workers(1)
        pool = partial(open_dask_pool, dask.address, "test")
        report = run_batch(root, tmp_path / "out", settings, HarmfulOn, open_pool=pool)
    assert report.exams[0].clips == one.exams[0].clips
    assert statuses(report).count("refused") == 3
    assert contents(tmp_path / "out") == contents(tmp_path / "one")
