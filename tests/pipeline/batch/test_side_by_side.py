"""Several processes read the clips of a run and estimate its exams."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.batch.events import BatchEvent, ClipEnded, ClipsRead, ClipStarted
from pipeline.batch.run import run_batch
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder
from tests.pipeline.run_ended import contents

SETTINGS = load_settings()

pytestmark = pytest.mark.usefixtures("worker_processes")


def run(root: Path, out: Path, processes: int) -> list[BatchEvent]:
    events: list[BatchEvent] = []
    settings = SETTINGS.model_copy(update={"run": SETTINGS.run.model_copy(update={"processes": processes})})
    run_batch(root, out, settings, BlobFinder, on_event=events.append)
    return events


def test_several_processes_give_the_same_files_as_one(tmp_path: Path) -> None:
    write_exam_folder(tmp_path / "root", "AF-0001", {"left-1.mp4": 3, "right-1.mp4": 2}, frames=24, seed=1)
    write_exam_folder(tmp_path / "root", "AF-0001", {"left-1.mp4": 1}, frames=24, seed=5, date="2026-05-20")
    write_exam_folder(tmp_path / "root", "AF-0002", {"left-1.mp4": 1}, frames=24, seed=11)
    run(tmp_path / "root", tmp_path / "one", 1)
    events = run(tmp_path / "root", tmp_path / "several", 3)
    assert contents(tmp_path / "several") == contents(tmp_path / "one")
    started = [event for event in events if isinstance(event, ClipStarted)]
    ended = [event for event in events if isinstance(event, ClipEnded)]
    assert sorted((each.animal, each.file) for each in started) == sorted((each.animal, each.file) for each in ended)
    assert len(started) == 4
    (read,) = (event for event in events if isinstance(event, ClipsRead))
    assert read.peak_memory_mib > 0
