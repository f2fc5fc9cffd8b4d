"""A clip that kills or outlasts its worker: the night goes on, says so, and leaves it alone from then on."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.batch.events import BatchEvent, ClipStarted, FramesRead
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video

LOADED = load_settings()
LIMITS = {"clip_memory_mib": 256, "clip_seconds": 120.0, "clip_seconds_per_frame": 0.05}
SETTINGS = LOADED.model_copy(update={"run": LOADED.run.model_copy(update=LIMITS)})
HASTY_S = 6.0  # for a clip that takes for ever; a busy machine needs seconds for one that takes half a second

pytestmark = pytest.mark.usefixtures("worker_processes")


class HarmfulOn(BlobFinder):
    """Fills the memory, sleeps or crashes on the first frames of a clip of so many columns."""

    def __init__(self, columns: int, harm: str) -> None:
        super().__init__()
        self.columns = columns
        self.harm = harm

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        if frames and frames[0].grey.shape[1] == self.columns:
            if self.harm == "memory":
                np.ones(2**32, np.uint8)
            elif self.harm == "time":
                time.sleep(600)
            else:
                os.kill(os.getpid(), signal.SIGSEGV)
        return super().detect(frames, sector)


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two exams; the second clip of the first has 176 columns, and is the one that does harm."""
    root = tmp_path_factory.mktemp("filmed")
    first = write_exam_folder(root, "AF-0001", {"left-1.mp4": 1}, frames=16)
    write_video(first / "left-2.mp4", [picture[:, :176] for picture in film(1, frames=16, seed=3)])
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 2}, frames=16, seed=7)
    return root


def night(root: Path, harm: str, **options: Any) -> BatchReport:
    limits = SETTINGS.run.model_copy(update={"clip_seconds": HASTY_S} if harm == "time" else {})
    settings = SETTINGS.model_copy(update={"run": limits})
    return run_batch(root, root.parent / "out", settings, partial(HarmfulOn, 176, harm), **options)


def statuses(report: BatchReport) -> list[tuple[str, list[str]]]:
    return [(exam.status, [clip.status for clip in exam.clips]) for exam in report.exams]


def must_not_read(event: BatchEvent) -> None:
    assert not isinstance(event, ClipStarted | FramesRead)


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("memory", "reading it took more than 256 MiB of memory"),
        ("time", "reading it took more than "),
        ("crash", "reading it crashed (SIGSEGV)"),
    ],
)
def test_the_night_goes_on_and_the_next_one_leaves_the_clip_alone(root: Path, harm: str, words: str) -> None:
    first = night(root, harm)
    assert statuses(first) == [("written", ["read", "refused"]), ("written", ["read"])]
    assert batch_exit_code(first) == ExitCode.SOME_UNUSABLE
    reason = str(first.exams[0].clips[1].reason)
    assert reason.startswith(words)
    assert reason.endswith("try again with clutchlight batch --retry-refused.")
    sheets = root.parent / "out" / "AF-0001" / "2026-05-14"
    flags = json.loads((sheets / "result.json").read_text())["flags"]
    assert f"left-2.mp4 could not be used: {reason}" in [flag["reason"] for flag in flags]
    assert words in (sheets / "report.html").read_text()

    second = night(root, harm, on_event=must_not_read)
    assert statuses(second) == [("unchanged", ["kept", "refused"]), ("unchanged", ["kept"])]
    assert second.exams[0].clips[1].reason == reason


def test_a_refused_clip_is_read_again_on_request_or_when_it_changes(root: Path) -> None:
    night(root, "crash")
    assert statuses(night(root, "crash", force=True))[0] == ("written", ["read", "refused"])
    assert statuses(night(root, "crash", retry_refused=True))[0] == ("unchanged", ["kept", "refused"])
    harmless = run_batch(root, root.parent / "out", SETTINGS, BlobFinder)
    assert statuses(harmless)[0][1] == ["kept", "refused"]  # whatever the detector would do
    harmless = run_batch(root, root.parent / "out", SETTINGS, BlobFinder, retry_refused=True)
    assert statuses(harmless)[0] == ("written", ["kept", "read"])
    assert statuses(run_batch(root, root.parent / "out", SETTINGS, BlobFinder))[0][1] == ["kept", "kept"]


def test_a_changed_file_is_another_recording(root: Path) -> None:
    night(root, "crash")
    clip = root / "AF-0001" / "2026-05-14" / "left-2.mp4"
    write_video(clip, film(1, frames=16, seed=5))
    started: list[str] = []
    report = night(
        root, "crash", on_event=lambda event: started.append(event.file) if isinstance(event, ClipStarted) else None
    )
    assert statuses(report)[0] == ("written", ["kept", "read"])
    assert started == ["left-2.mp4"]
