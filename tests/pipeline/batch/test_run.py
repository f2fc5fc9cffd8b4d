"""The nightly run: what is new is read, what is finished is kept, and a killed night ends like any other."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from pipeline.batch.events import BatchEvent, ClipStarted, ExamFinished, FramesRead, RunPlanned
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.detect.detector import Detections
from pipeline.exams.exam_search import ExamRootError
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.report import output_files
from pipeline.settings import load_settings
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import LockedError, hold_lock
from pipeline.store.store import Store, StoreError
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video

SETTINGS = load_settings()
COMMAND = Path(__file__).parents[1] / "blob_finder.py"


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three animals: eggs in both windows, nothing to see, eggs in one window."""
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 3, "right-1.mp4": 2}, seed=1)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, seed=11)
    write_exam_folder(root, "AF-0003", {"left-1.mp4": 4}, seed=21)
    return root


def night(root: Path, out: Path, detector: Any = None, **options: Any) -> BatchReport:
    return run_batch(root, out, SETTINGS, lambda: detector or BlobFinder(), **options)


def contents(out: Path) -> dict[str, bytes]:
    """Every file a person opens, by its path; the database and the lock are the program's own."""
    own = ("clutchlight.sqlite", ".lock")
    return {
        str(path.relative_to(out)): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith(own)
    }


def statuses(report: BatchReport) -> dict[str, tuple[str, list[str]]]:
    return {exam.animal: (exam.status, [clip.status for clip in exam.clips]) for exam in report.exams}


def result(out: Path, animal: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((out / animal / "2026-05-14" / "result.json").read_text())
    return document


def test_a_night_writes_every_animal_and_the_overview(root: Path, tmp_path: Path) -> None:
    before = contents(root)
    report = night(root, tmp_path / "out")
    assert batch_exit_code(report) == ExitCode.DONE
    assert statuses(report) == {
        "AF-0001": ("written", ["read", "read"]),
        "AF-0002": ("written", ["read"]),
        "AF-0003": ("written", ["read"]),
    }
    assert result(tmp_path / "out", "AF-0001")["shelled"]["estimate"] >= 3
    assert result(tmp_path / "out", "AF-0002")["stage"]["overall"] == "none seen"
    listed = (tmp_path / "out" / "summary.csv").read_text()
    assert all(animal in listed for animal in ("AF-0001", "AF-0002", "AF-0003"))
    assert report.index is not None
    assert report.index.is_file()
    assert contents(root) == before


def test_two_nights_apart_write_the_same_bytes(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "one")
    night(root, tmp_path / "two")
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


def test_a_second_run_reads_nothing_and_changes_nothing(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    written = {path: path.stat().st_mtime_ns for path in (tmp_path / "out").rglob("report.html")}
    detector = BlobFinder()
    report = night(root, tmp_path / "out", detector)
    assert detector.detected_frames == []
    assert {status for status, _ in statuses(report).values()} == {"unchanged"}
    assert contents(tmp_path / "out") == first
    assert {path: path.stat().st_mtime_ns for path in written} == written


def test_results_from_kept_scans_are_the_same_bytes(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    shutil.rmtree(tmp_path / "out" / "AF-0001")
    detector = BlobFinder()
    report = night(root, tmp_path / "out", detector)
    assert statuses(report)["AF-0001"] == ("written", ["kept", "kept"])
    assert detector.detected_frames == []
    assert contents(tmp_path / "out") == first


def test_again_reads_everything_and_writes_the_same(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    report = night(root, tmp_path / "out", force=True)
    assert statuses(report)["AF-0001"] == ("written", ["read", "read"])
    assert contents(tmp_path / "out") == first


def test_a_new_clip_is_read_and_its_exam_alone_written(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    write_video(root / "AF-0002/2026-05-14/right-2.mp4", film(2, seed=99))
    report = night(root, tmp_path / "out")
    assert statuses(report) == {
        "AF-0001": ("unchanged", ["kept", "kept"]),
        "AF-0002": ("written", ["kept", "read"]),
        "AF-0003": ("unchanged", ["kept"]),
    }


def test_a_mended_side_file_is_heeded_without_reading_clips(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    side = root / "AF-0003/2026-05-14/exam.toml"
    side.write_text(side.read_text().replace("mm_per_px = 0.5", "mm_per_px = 0.25"))
    detector = BlobFinder()
    assert statuses(night(root, tmp_path / "out", detector))["AF-0003"] == ("written", ["kept"])
    assert detector.detected_frames == []
    assert result(tmp_path / "out", "AF-0003")["clips"][0]["mm_per_px"] == 0.25
    night(root, tmp_path / "fresh")
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")


def test_other_settings_read_the_clips_anew(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    other = SETTINGS.model_copy(update={"detect": SETTINGS.detect.model_copy(update={"minimum_score": 0.31})})
    report = run_batch(root, tmp_path / "out", other, BlobFinder)
    assert statuses(report)["AF-0001"] == ("written", ["read", "read"])


def test_exams_of_earlier_nights_stay_listed(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    shutil.rmtree(root / "AF-0001")
    report = night(root, tmp_path / "out")
    assert [exam.animal for exam in report.exams] == ["AF-0002", "AF-0003"]
    assert "AF-0001" in (tmp_path / "out" / "summary.csv").read_text()
    assert "AF-0001/2026-05-14/report.html" in (tmp_path / "out" / "index.html").read_text()


def test_the_run_is_told_step_by_step(root: Path, tmp_path: Path) -> None:
    events: list[BatchEvent] = []
    night(root, tmp_path / "out", on_event=events.append)
    assert events[0] == RunPlanned(3, 4)
    assert sum(isinstance(event, ClipStarted) for event in events) == 4
    assert sum(event.frames for event in events if isinstance(event, FramesRead)) == 160
    ended = [event.report.animal for event in events if isinstance(event, ExamFinished)]
    assert ended == ["AF-0001", "AF-0002", "AF-0003"]


class FailsOn(BlobFinder):
    """Breaks at the first frame of the clip whose number of frames asked so far reaches ``at``."""

    def __init__(self, at: int, error: BaseException) -> None:
        super().__init__()
        self.at = at
        self.error = error

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        if len(self.detected_frames) <= self.at < len(self.detected_frames) + len(frames):
            self.detected_frames += [frame.index for frame in frames]
            raise self.error
        return super().detect(frames, sector)


def test_an_exam_that_fails_is_told_and_the_others_go_on(root: Path, tmp_path: Path) -> None:
    report = night(root, tmp_path / "out", FailsOn(85, ZeroDivisionError("by an egg")))
    assert statuses(report) == {
        "AF-0001": ("written", ["read", "read"]),
        "AF-0002": ("failed", []),
        "AF-0003": ("written", ["read"]),
    }
    failed = report.exams[1]
    assert failed.reason == "unexpected ZeroDivisionError: by an egg"
    assert failed.trace is not None
    assert "by an egg" in failed.trace
    assert batch_exit_code(report) == ExitCode.UNEXPECTED
    assert not (tmp_path / "out" / "AF-0002").exists()
    mended = night(root, tmp_path / "out")
    assert statuses(mended)["AF-0002"] == ("written", ["read"])
    night(root, tmp_path / "fresh")
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")


def test_an_interrupted_night_keeps_finished_clips(root: Path, tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        night(root, tmp_path / "out", FailsOn(45, KeyboardInterrupt()))
    assert statuses(night(root, tmp_path / "out"))["AF-0001"] == ("written", ["kept", "read"])
    with closing(sqlite3.connect(tmp_path / "out" / "clutchlight.sqlite")) as connection:
        assert connection.execute("select outcome from runs").fetchall() == [("interrupted",), ("done",)]


def test_a_refused_clip_is_told_and_tried_again(root: Path, tmp_path: Path) -> None:
    folder = root / "AF-0002/2026-05-14"
    (folder / "left-1.mp4").write_text("no film\n" * 100)
    report = night(root, tmp_path / "out")
    assert statuses(report)["AF-0002"] == ("written", ["refused"])
    assert batch_exit_code(report) == ExitCode.SOME_UNUSABLE
    assert result(tmp_path / "out", "AF-0002")["clips"][0]["status"] == "refused"
    assert statuses(night(root, tmp_path / "out"))["AF-0002"] == ("unchanged", ["refused"])
    write_video(folder / "left-1.mp4", film(2, seed=5))
    assert statuses(night(root, tmp_path / "out"))["AF-0002"] == ("written", ["read"])


def test_a_clip_that_changes_while_it_is_read_is_left_for_the_next_run(root: Path, tmp_path: Path) -> None:
    clip = root / "AF-0003/2026-05-14/left-1.mp4"

    class Copying(BlobFinder):
        def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
            if len(self.detected_frames) == 120:
                with clip.open("ab") as file:
                    file.write(bytes(1000))
            return super().detect(frames, sector)

    report = night(root, tmp_path / "out", Copying())
    refused = report.exams[2].clips[0]
    assert (refused.status, refused.reason) == (
        "refused",
        "the file changed while it was read; the next run reads it again.",
    )
    assert statuses(night(root, tmp_path / "out"))["AF-0003"] == ("written", ["read"])


def test_an_empty_root_is_told_and_nothing_begun(tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    report = night(tmp_path / "root", tmp_path / "out")
    assert (report.exams, report.index) == ((), None)
    assert "holds no recording" in report.problems[0].reason
    assert batch_exit_code(report) == ExitCode.NOTHING_USABLE
    assert not (tmp_path / "out").exists()


def test_a_missing_root_is_told_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ExamRootError, match="no such folder"):
        night(tmp_path / "root", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("place", [".", "results", "AF-0001/results"])
def test_results_never_go_among_the_recordings(root: Path, place: str) -> None:
    before = contents(root)
    with pytest.raises(StoreError, match="inside the recordings' folder"):
        night(root, root / place)
    assert contents(root) == before


def test_recordings_may_lie_in_the_output_folder_unless_an_animal_is_named_so(tmp_path: Path) -> None:
    write_exam_folder(tmp_path / "exams", "AF-0001", {"left-1.mp4": 1})
    assert batch_exit_code(night(tmp_path / "exams", tmp_path)) == ExitCode.DONE
    write_exam_folder(tmp_path / "exams", "exams", {"left-1.mp4": 1})
    with pytest.raises(StoreError, match="the results of exams would lie among the recordings"):
        night(tmp_path / "exams", tmp_path)


def test_another_run_in_the_same_folder_is_refused(root: Path, tmp_path: Path) -> None:
    with hold_lock(tmp_path / "out"), pytest.raises(LockedError):
        night(root, tmp_path / "out")


def test_a_result_of_another_version_is_told_and_left_out(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    shutil.rmtree(root / "AF-0001")
    with closing(sqlite3.connect(tmp_path / "out" / "clutchlight.sqlite")) as connection, connection:
        connection.execute("update exams set document = '{}' where animal = 'AF-0001'")
    report = night(root, tmp_path / "out")
    assert [problem.reason for problem in report.problems] == [
        "AF-0001 2026-05-14: written by another version of Clutchlight and left out here. "
        "Run the batch over its recordings again."
    ]
    assert batch_exit_code(report) == ExitCode.SOME_UNUSABLE


def test_an_exam_whose_files_cannot_be_written_fails_alone(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real: Callable[..., Path] = output_files.write_exam_files

    def full(out: Path, exam: Any, *rest: Any) -> Path:
        if exam.animal == "AF-0002":
            raise OutputError(f"{out}/AF-0002 cannot be written: no space is left on the disk.")
        return real(out, exam, *rest)

    monkeypatch.setattr("pipeline.batch.run.write_exam_files", full)
    report = night(root, tmp_path / "out")
    assert [exam.status for exam in report.exams] == ["written", "failed", "written"]
    with Store(tmp_path / "out") as store:
        assert [exam.animal for exam in store.exams()] == ["AF-0001", "AF-0003"]
    monkeypatch.undo()
    assert statuses(night(root, tmp_path / "out"))["AF-0002"] == ("written", ["kept"])


class Cut(BaseException):
    """The end of the process, at one of its steps."""


class Fuse:
    """Ends the run at step ``at``; the steps are what reaches the disk, before and after it does."""

    def __init__(self, at: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self.at, self.steps = at, 0
        for owner, name in ((Path, "replace"), (Store, "save_scan"), (Store, "save_exam")):
            monkeypatch.setattr(owner, name, self.around(getattr(owner, name)))

    def around(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def burning(*arguments: Any) -> Any:
            self.burn()
            answer = real(*arguments)
            self.burn()
            return answer

        return burning

    def burn(self) -> None:
        self.steps += 1
        if self.steps == self.at:
            raise Cut


def test_a_night_cut_at_any_step_ends_like_any_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tmp_path / "root"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 1}, frames=16)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 1}, frames=16)
    # To draw it takes longest, and of when its bytes reach the disk nothing depends on what they are.
    monkeypatch.setattr("pipeline.report.output_files.sheet_pdf", lambda *arguments: b"%PDF")
    with monkeypatch.context() as patches:
        fuse = Fuse(0, patches)
        night(root, tmp_path / "calm")
    assert fuse.steps > 30
    for at in range(1, fuse.steps + 1):
        out = tmp_path / f"cut-{at}"
        with monkeypatch.context() as patches:
            Fuse(at, patches)
            with pytest.raises(Cut):
                night(root, out)
        for path in out.rglob("*.json"):
            json.loads(path.read_bytes())
        assert batch_exit_code(night(root, out)) == ExitCode.DONE
        assert contents(out) == contents(tmp_path / "calm"), f"cut at step {at} of {fuse.steps}"


class Process:
    """The batch in a process of its own, from the moment when it has planned the night and begins with it."""

    def __init__(self, root: Path, out: Path) -> None:
        self._running = subprocess.Popen(
            [sys.executable, str(COMMAND), "batch", str(root), "--out", str(out)],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "BLOB_SECONDS": "0.004"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        assert self._running.stderr is not None
        assert self._running.stderr.readline() == b"3 exams, 4 clips\n"

    def end(self, kill_after: float = 120) -> int:
        """Its exit code; it is killed if it works for longer than so many seconds."""
        try:
            self._running.communicate(timeout=kill_after)
        except subprocess.TimeoutExpired:
            self._running.kill()
            self._running.communicate()
        return self._running.returncode


def test_a_night_killed_at_any_moment_ends_like_any_other(root: Path, tmp_path: Path) -> None:
    calm = Process(root, tmp_path / "calm")
    begun = time.monotonic()
    assert calm.end() == ExitCode.DONE
    whole = time.monotonic() - begun
    chance = random.Random(3)
    codes = [Process(root, tmp_path / "out").end(whole * chance.uniform(0, 0.5)) for _ in range(5)]
    assert -signal.SIGKILL in codes
    assert Process(root, tmp_path / "out").end() == ExitCode.DONE
    assert contents(tmp_path / "out") == contents(tmp_path / "calm")
