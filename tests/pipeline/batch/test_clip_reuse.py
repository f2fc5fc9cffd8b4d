"""Recordings that are there twice, and recordings that are still being copied."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport, ClipReport, ClipStatus
from pipeline.batch.workers import DetectorLoader
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video

SETTINGS = load_settings()
LONG_AGO = 1.7e9


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=24, seed=1)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 3}, frames=24, seed=11)
    return root


@pytest.fixture
def day(root: Path) -> Path:
    return root / "AF-0001" / "2026-05-14"


def run(root: Path, load_detector: DetectorLoader = BlobFinder, *, processes: int = 0) -> BatchReport:
    settings = SETTINGS.model_copy(update={"run": SETTINGS.run.model_copy(update={"processes": processes})})
    return run_batch(root, root.parent / "out", settings, load_detector)


def clip_reports(report: BatchReport, animal: str = "AF-0001") -> dict[str, ClipReport]:
    """By file."""
    return {clip.file: clip for exam in report.exams if exam.animal == animal for clip in exam.clips}


def result(root: Path, animal: str = "AF-0001") -> dict[str, Any]:
    document: dict[str, Any] = json.loads((root.parent / "out" / animal / "2026-05-14" / "result.json").read_text())
    return document


def flags(root: Path, animal: str = "AF-0001") -> dict[str, str]:
    return {flag["code"]: flag["reason"] for flag in result(root, animal)["flags"]}


def assert_copy_is_refused(root: Path, copy: Path, *words: str) -> None:
    alone = result_without(root, copy)
    clips = clip_reports(run(root))
    assert clips["left-1.mp4"].status == "read"
    assert clips[copy.name].status == "refused"
    for word in ("the same recording as left-1.mp4", *words):
        assert word in str(clips[copy.name].reason)
        assert word in flags(root)["clip-refused"]
    for key in ("shelled", "follicles", "eggs", "stage"):
        assert result(root)[key] == alone[key]


def result_without(root: Path, copy: Path) -> dict[str, Any]:
    fewer = root.parent / "fewer" / "root"
    shutil.copytree(root, fewer)
    (fewer / copy.relative_to(root)).unlink()
    run(fewer)
    return result(fewer)


def test_renamed_copy_in_one_exam_is_counted_once(root: Path, day: Path) -> None:
    copy = day / "a copy of left-1.mp4"  # its name sorts first, but the side file names the other one
    shutil.copy(day / "left-1.mp4", copy)
    assert_copy_is_refused(root, copy, "remove one of the two")


def test_of_two_equally_known_copies_the_shorter_name_is_used(root: Path, day: Path) -> None:
    copy = day / "left-1 (copy).mp4"  # its name sorts first too, and gives the same window
    (day / "exam.toml").unlink()
    shutil.copy(day / "left-1.mp4", copy)
    clips = clip_reports(run(root))
    assert (clips["left-1.mp4"].status, clips[copy.name].status) == ("read", "refused")


def test_copy_with_another_window_is_reported(root: Path, day: Path) -> None:
    copy = day / "right-1.mp4"
    shutil.copy(day / "left-1.mp4", copy)
    assert_copy_is_refused(root, copy, "different windows, right and left")


@pytest.mark.parametrize("ending", ["mov", "mkv"])
def test_the_same_pictures_in_another_container_are_the_same_recording(root: Path, day: Path, ending: str) -> None:
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is not installed")
    copy = day / f"left-2.{ending}"
    command = ["ffmpeg", "-v", "error", "-i", day / "left-1.mp4", "-c", "copy", copy]
    subprocess.run(command, check=True, timeout=60)
    assert_copy_is_refused(root, copy)


def test_recording_in_two_exams_is_reported_on_both_sheets(root: Path, day: Path) -> None:
    run(root)
    other = root / "AF-0002" / "2026-05-14" / "right-9.mp4"
    shutil.copy(day / "left-1.mp4", other)
    report = run(root)
    assert batch_exit_code(report) == ExitCode.DONE
    assert clip_reports(report)["left-1.mp4"].status == "kept"
    assert clip_reports(report, "AF-0002")["right-9.mp4"].status == "kept"
    assert clip_reports(report)["left-1.mp4"].reason == "the same recording as AF-0002, 2026-05-14, right-9.mp4."
    assert "left-1.mp4 is the same recording as AF-0002, 2026-05-14, right-9.mp4" in flags(root)["same-recording"]
    reason = flags(root, "AF-0002")["same-recording"]
    assert "right-9.mp4 is the same recording as AF-0001, 2026-05-14, left-1.mp4" in reason
    assert reason in (root.parent / "out" / "AF-0002" / "2026-05-14" / "report.html").read_text()
    other.unlink()
    run(root)
    assert "same-recording" not in flags(root)  # written again when the copy is gone


def test_different_recordings_are_not_duplicates(root: Path, day: Path) -> None:
    write_video(day / "left-2.mp4", film(2, frames=24, seed=2))
    report = run(root)
    assert batch_exit_code(report) == ExitCode.DONE
    assert "same-recording" not in flags(root)


@pytest.mark.parametrize(("name", "codec"), [("left-2.mp4", "libx264"), ("left-2.avi", "ffv1"), ("left-2.mkv", "ffv1")])
def test_clip_cut_off_moments_ago_is_left_for_the_next_run(root: Path, day: Path, name: str, codec: str) -> None:
    clip = day / name
    write_video(clip, film(2, frames=100, seed=5), codec)
    whole = clip.read_bytes()
    clip.write_bytes(whole[: len(whole) // 2])
    report = clip_reports(run(root))[name]
    assert report.status == "refused"
    assert "may still be being copied; the next run tries again" in str(report.reason)
    clip.write_bytes(whole)
    assert clip_reports(run(root))[name] == ClipReport(name, ClipStatus.READ, None)


def test_clip_cut_off_long_ago_is_used_up_to_that_point(root: Path, day: Path) -> None:
    clip = day / "left-2.avi"
    write_video(clip, film(2, frames=40, seed=5), "ffv1")
    clip.write_bytes(clip.read_bytes()[: clip.stat().st_size * 2 // 3])
    os.utime(clip, (LONG_AGO, LONG_AGO))
    report = clip_reports(run(root))["left-2.avi"]
    assert report.status == "read"
    assert str(report.reason).startswith("only the first ")


def test_folder_of_stills_is_left_until_it_no_longer_changes(root: Path, day: Path) -> None:
    folder = day / "right-1"
    folder.mkdir()
    for number, grey in enumerate(film(2, frames=24, seed=5)):
        Image.fromarray(grey).save(folder / f"{number}.png")
    report = clip_reports(run(root))["right-1"]
    assert (report.status, "the next run tries again" in str(report.reason)) == ("refused", True)
    for path in (folder, *folder.iterdir()):
        os.utime(path, (LONG_AGO, LONG_AGO))
    assert clip_reports(run(root))["right-1"] == ClipReport("right-1", ClipStatus.READ, None)
    clip = next(clip for clip in result(root)["clips"] if clip["file"] == "right-1")
    assert (clip["frames"], clip["window"]) == (24, "right")


class GrowingFile(BlobFinder):
    """Appends to the file while its first frames are processed."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        with self._path.open("ab") as file:
            file.write(b"\0" * 64)
        return super().detect(frames, sector)


def test_clip_that_grows_while_it_is_read_is_left_for_the_next_run(root: Path, day: Path) -> None:
    os.utime(day / "left-1.mp4", (LONG_AGO, LONG_AGO))
    report = clip_reports(run(root, partial(GrowingFile, day / "left-1.mp4")))["left-1.mp4"]
    assert (report.status, report.reason) == (
        "refused",
        "the file changed while it was read; the next run reads it again.",
    )
    assert clip_reports(run(root))["left-1.mp4"].status == "read"


class ReplacedFile(BlobFinder):
    """Copies one file over another when it begins with its first frames."""

    def __init__(self, source: Path, target: Path) -> None:
        super().__init__()
        self._source, self._target = source, target

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        if frames and frames[0].index == 0 and not self.detected_frames:
            shutil.copy(self._source, self._target)
            os.utime(self._target, (time.time(), time.time()))
        return super().detect(frames, sector)


def test_file_that_changed_since_the_run_began_is_identified_again(root: Path, day: Path) -> None:
    replaced = partial(ReplacedFile, day / "left-1.mp4", root / "AF-0002" / "2026-05-14" / "left-1.mp4")
    first = clip_reports(run(root, replaced, processes=1), "AF-0002")["left-1.mp4"]
    assert first.status == "kept"
    documents = [result(root, animal)["clips"][0]["sha256"] for animal in ("AF-0001", "AF-0002")]
    assert documents[0] == documents[1]
