"""The nightly run: new clips are read, and finished ones are kept."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
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
from tests.pipeline.batch.three_animals import film_three_animals, run
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.run_ended import contents

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


def must_not_read(event: BatchEvent) -> None:
    assert not isinstance(event, ClipStarted | FramesRead)


def statuses(report: BatchReport) -> dict[str, tuple[str, list[str]]]:
    """The status of every exam and of its clips, by animal."""
    return {exam.animal: (exam.status, [clip.status for clip in exam.clips]) for exam in report.exams}


def result(out: Path, animal: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((out / animal / "2026-05-14" / "result.json").read_text())
    return document


@pytest.mark.usefixtures("worker_processes")
def test_run_writes_every_animal_and_the_overview(root: Path, tmp_path: Path) -> None:
    before = contents(root)
    report = run(root, tmp_path / "out")
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


def test_two_independent_runs_write_the_same_bytes(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "one")
    run(root, tmp_path / "two")
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


def test_second_run_reads_nothing_and_changes_nothing(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    written = {path: path.stat().st_mtime_ns for path in (tmp_path / "out").rglob("report.html")}
    report = run(root, tmp_path / "out", on_event=must_not_read)
    assert {status for status, _ in statuses(report).values()} == {"unchanged"}
    assert contents(tmp_path / "out") == first
    assert {path: path.stat().st_mtime_ns for path in written} == written


def test_results_from_stored_scans_are_the_same_bytes(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    shutil.rmtree(tmp_path / "out" / "AF-0001")
    report = run(root, tmp_path / "out", on_event=must_not_read)
    assert statuses(report)["AF-0001"] == ("written", ["kept", "kept"])
    assert contents(tmp_path / "out") == first


def test_force_reads_everything_and_writes_the_same(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    first = contents(tmp_path / "out")
    report = run(root, tmp_path / "out", force=True)
    assert statuses(report)["AF-0001"] == ("written", ["read", "read"])
    assert contents(tmp_path / "out") == first


def test_new_clip_is_read_and_only_its_exam_is_written(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    write_video(root / "AF-0002/2026-05-14/right-2.mp4", film(2, seed=99))
    report = run(root, tmp_path / "out")
    assert statuses(report) == {
        "AF-0001": ("unchanged", ["kept", "kept"]),
        "AF-0002": ("written", ["kept", "read"]),
        "AF-0003": ("unchanged", ["kept"]),
    }


def test_changed_side_file_is_used_without_reading_clips(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    side = root / "AF-0003/2026-05-14/exam.toml"
    side.write_text(side.read_text().replace("mm_per_px = 0.5", "mm_per_px = 0.25"))
    assert statuses(run(root, tmp_path / "out", on_event=must_not_read))["AF-0003"] == ("written", ["kept"])
    assert result(tmp_path / "out", "AF-0003")["clips"][0]["mm_per_px"] == 0.25
    run(root, tmp_path / "fresh")
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")


def test_other_settings_read_the_clips_again(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    other = SETTINGS.model_copy(update={"detect": SETTINGS.detect.model_copy(update={"minimum_score": 0.31})})
    report = run_batch(root, tmp_path / "out", other, BlobFinder)
    assert statuses(report)["AF-0001"] == ("written", ["read", "read"])


def test_exams_of_earlier_runs_stay_listed(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    shutil.rmtree(root / "AF-0001")
    report = run(root, tmp_path / "out")
    assert [exam.animal for exam in report.exams] == ["AF-0002", "AF-0003"]
    assert "AF-0001" in (tmp_path / "out" / "summary.csv").read_text()
    assert "AF-0001/2026-05-14/report.html" in (tmp_path / "out" / "index.html").read_text()


def test_run_reports_its_events(root: Path, tmp_path: Path) -> None:
    events: list[BatchEvent] = []
    run(root, tmp_path / "out", on_event=events.append)
    assert events[0] == RunPlanned(3, 4)
    assert sum(isinstance(event, ClipStarted) for event in events) == 4
    assert sum(event.frames for event in events if isinstance(event, FramesRead)) == 160
    finished = [event.report.animal for event in events if isinstance(event, ExamFinished)]
    assert finished == ["AF-0001", "AF-0002", "AF-0003"]


class FailsOn(BlobFinder):
    """Raises an error instead of processing frame number ``at``, counted from 0 over all clips."""

    def __init__(self, at: int, error: BaseException) -> None:
        super().__init__()
        self.at = at
        self.error = error

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        if len(self.detected_frames) <= self.at < len(self.detected_frames) + len(frames):
            self.detected_frames += [frame.index for frame in frames]
            raise self.error
        return super().detect(frames, sector)


@pytest.mark.usefixtures("worker_processes")
def test_failed_exam_is_reported_and_the_others_go_on(root: Path, tmp_path: Path) -> None:
    report = run(root, tmp_path / "out", partial(FailsOn, 85, ZeroDivisionError("on purpose")), processes=1)
    assert statuses(report) == {
        "AF-0001": ("written", ["read", "read"]),
        "AF-0002": ("failed", []),
        "AF-0003": ("written", ["read"]),
    }
    failed = report.exams[1]
    assert failed.reason == "unexpected ZeroDivisionError: on purpose"
    assert failed.trace is not None
    assert "on purpose" in failed.trace
    assert batch_exit_code(report) == ExitCode.UNEXPECTED
    assert not (tmp_path / "out" / "AF-0002").exists()
    continued = run(root, tmp_path / "out")
    assert statuses(continued)["AF-0002"] == ("written", ["read"])
    run(root, tmp_path / "fresh")
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")


@pytest.mark.usefixtures("worker_processes")
def test_interrupted_run_keeps_finished_clips(root: Path, tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        run(root, tmp_path / "out", partial(FailsOn, 45, KeyboardInterrupt()), processes=1)
    assert statuses(run(root, tmp_path / "out"))["AF-0001"] == ("written", ["kept", "read"])
    with closing(sqlite3.connect(tmp_path / "out" / "clutchlight.sqlite")) as connection:
        assert connection.execute("select outcome from runs").fetchall() == [("interrupted",), ("done",)]


def test_refused_clip_is_reported_and_tried_again(root: Path, tmp_path: Path) -> None:
    folder = root / "AF-0002/2026-05-14"
    (folder / "left-1.mp4").write_text("no film\n" * 100)
    report = run(root, tmp_path / "out")
    assert statuses(report)["AF-0002"] == ("written", ["refused"])
    assert batch_exit_code(report) == ExitCode.SOME_UNUSABLE
    assert result(tmp_path / "out", "AF-0002")["clips"][0]["status"] == "refused"
    assert statuses(run(root, tmp_path / "out"))["AF-0002"] == ("unchanged", ["refused"])
    write_video(folder / "left-1.mp4", film(2, seed=5))
    assert statuses(run(root, tmp_path / "out"))["AF-0002"] == ("written", ["read"])


def test_empty_root_is_reported_and_nothing_is_created(tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    report = run(tmp_path / "root", tmp_path / "out")
    assert (report.exams, report.index) == ((), None)
    assert "holds no recording" in report.problems[0].reason
    assert batch_exit_code(report) == ExitCode.NOTHING_USABLE
    assert not (tmp_path / "out").exists()


def test_missing_root_is_an_error_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ExamRootError, match="no such folder"):
        run(tmp_path / "root", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("place", [".", "results", "AF-0001/results"])
def test_results_are_never_written_among_the_recordings(root: Path, place: str) -> None:
    before = contents(root)
    with pytest.raises(StoreError, match="inside the recordings' folder"):
        run(root, root / place)
    assert contents(root) == before


def test_recordings_in_the_output_folder_are_refused_only_if_an_animal_has_their_name(tmp_path: Path) -> None:
    write_exam_folder(tmp_path / "exams", "AF-0001", {"left-1.mp4": 1})
    assert batch_exit_code(run(tmp_path / "exams", tmp_path)) == ExitCode.DONE
    write_exam_folder(tmp_path / "exams", "exams", {"left-1.mp4": 1})
    with pytest.raises(StoreError, match="the results of exams would be among the recordings"):
        run(tmp_path / "exams", tmp_path)


def test_second_run_in_the_same_folder_is_refused(root: Path, tmp_path: Path) -> None:
    with hold_lock(tmp_path / "out"), pytest.raises(LockedError):
        run(root, tmp_path / "out")


def test_result_in_the_format_of_another_version_is_reported_and_left_out(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    shutil.rmtree(root / "AF-0001")
    with Store(tmp_path / "out") as store:
        (stored,) = store.exams_of({"AF-0001"})
        store.save_exam(replace(stored, summary_json="{}"), run=1)
    (tmp_path / "out" / "index.html").unlink()  # so that all results are read
    report = run(root, tmp_path / "out")
    assert [problem.reason for problem in report.problems] == [
        "AF-0001 2026-05-14: written by another version of Clutchlight and left out here. "
        "Run the batch over its recordings again."
    ]
    assert batch_exit_code(report) == ExitCode.SOME_UNUSABLE


def test_result_that_cannot_be_read_is_estimated_anew_from_kept_scans(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(root, out)
    before = contents(out)
    with Store(out) as store:
        (stored,) = store.exams_of({"AF-0001"})
        store.save_exam(replace(stored, summary_json=stored.summary_json[:40]), run=1)
    (out / "index.html").unlink()  # so that all results are read
    assert "Run the batch over its recordings again" in run(root, out).problems[0].reason
    report = run(root, out, on_event=must_not_read)
    assert report.problems == ()
    assert statuses(report)["AF-0001"][0] == "written"
    assert contents(out) == before


def test_exam_whose_files_cannot_be_written_fails_alone(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = output_files.replace_exam_files

    def write_or_fail(folder: Path, files: Mapping[str, Iterable[bytes]]) -> None:
        if folder.parent.name == "AF-0002":
            raise OutputError(f"{folder} cannot be written: no space is left on the disk.")
        original(folder, files)

    monkeypatch.setattr("pipeline.batch.exam_processor.replace_exam_files", write_or_fail)
    report = run(root, tmp_path / "out")
    assert [exam.status for exam in report.exams] == ["written", "failed", "written"]
    with Store(tmp_path / "out") as store:
        assert [exam.animal for exam in store.exams()] == ["AF-0001", "AF-0003"]
    monkeypatch.undo()
    assert statuses(run(root, tmp_path / "out"))["AF-0002"] == ("written", ["kept"])
