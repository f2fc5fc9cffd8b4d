"""Clips that fill the memory, hang or crash are refused on a cluster as on one machine."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("distributed", reason="dask is not installed (the extra cluster)")

from pipeline.batch.run import run_batch
from pipeline.cluster.dask_pool import open_dask_pool
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.cluster.dask_processes import DaskProcesses
from tests.pipeline.run_ended import contents

LOADED = load_settings()

pytestmark = pytest.mark.usefixtures("worker_processes")


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
    limits = {"clip_memory_mib": 256, "clip_seconds": 12.0, "clip_seconds_per_frame": 0.0}
    settings = LOADED.model_copy(update={"run": LOADED.run.model_copy(update=limits)})
    one = run_batch(root, tmp_path / "one", settings, HarmfulOn)
    with DaskProcesses(tmp_path) as dask:
        dask.start_worker()
        dask.wait_for_workers(1)
        pool = partial(open_dask_pool, dask.address, "test")
        report = run_batch(root, tmp_path / "out", settings, HarmfulOn, open_pool=pool)
    assert report.exams[0].clips == one.exams[0].clips
    assert [clip.status for clip in report.exams[0].clips].count("refused") == 3
    assert contents(tmp_path / "out") == contents(tmp_path / "one")
