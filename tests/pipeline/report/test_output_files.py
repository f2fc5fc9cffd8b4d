"""The files of an exam and of a night: complete, the same each time, and whole after a crash."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from models.errors import ClutchlightError
from pipeline.exams.exam_search import ExamProblem
from pipeline.report import output_files
from pipeline.scan.clip_scan import ClipScan
from pipeline.store.atomic_write import OutputError, write_atomically
from pipeline.track.probe_course import straight_course
from tests.pipeline.report.one_season import write_overview_files

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def with_path(scan: ClipScan) -> ClipScan:
    return replace(scan, tracks=replace(scan.tracks, courses=(straight_course(scan.frames),)))


def test_all_files_of_an_exam_and_a_night(tmp_path: Path, example_exams: tuple[ExampleExam, ...]) -> None:
    for example in example_exams:
        assert example.write(tmp_path).is_dir()
    write_overview_files(tmp_path, [example.summary for example in example_exams])
    found = set(contents(tmp_path))
    folder = "AF-0412/2026-05-14"
    assert {f for f in found if f.startswith(folder)} == {
        f"{folder}/{name}"
        for name in (
            "result.json",
            "report.html",
            "report.pdf",
            "detections.coco.json",
            "left-1.mot.txt",
            "right-1.mot.txt",
            "thumbnail.jpg",
        )
    }
    assert {"index.html", "index-2026.js", "rescan.html", "summary.csv", "eggs.csv"} <= found
    assert {f"{name}.parquet/season=2026/part-0.parquet" for name in ("animals", "eggs")} <= found


def test_the_same_night_is_the_same_bytes(tmp_path: Path, example_exams: tuple[ExampleExam, ...]) -> None:
    for out in (tmp_path / "one", tmp_path / "two"):
        for example in example_exams:
            example.write(out)
        write_overview_files(out, [example.summary for example in example_exams], [ExamProblem(Path("x"), "x: y")])
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


def test_file_names_of_clips_cannot_leave_the_folder(tmp_path: Path, clutch: ExampleExam) -> None:
    scan = replace(clutch.scans[0], file="../../up/../left 1?.mp4")
    out = tmp_path / "out"
    folder = replace(clutch, scans=(scan,)).write(out)
    assert {path.name for path in tmp_path.iterdir()} == {"out"}
    assert len(list(folder.glob("*.mot.txt"))) == 1


def test_tracks_and_paths_of_a_clip_that_is_gone_are_removed(tmp_path: Path, clutch: ExampleExam) -> None:
    def written(*scans: ClipScan) -> set[str]:
        folder = replace(clutch, scans=scans).write(tmp_path)
        return {path.name for pattern in ("*.mot.txt", "*.path.csv") for path in folder.glob(pattern)}

    left, right = (with_path(scan) for scan in clutch.scans if scan.status == "done")
    assert written(left, right) == {"left-1.mot.txt", "left-1.path.csv", "right-1.mot.txt", "right-1.path.csv"}
    assert written(left) == {"left-1.mot.txt", "left-1.path.csv"}
    # So is the path of a clip whose pictures are no longer compared.
    assert written(clutch.scans[0]) == {"left-1.mot.txt"}


def test_a_failure_half_way_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "file.txt"
    write_atomically(path, [b"old"])

    def broken() -> Iterator[bytes]:
        yield b"new, but "
        raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        write_atomically(path, broken())
    assert contents(tmp_path) == {"deep/file.txt": b"old"}


def test_a_crash_before_the_rename_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A killed process does not clean up: the old file remains, and one hidden part that the next run overwrites."""
    path = tmp_path / "file.txt"
    write_atomically(path, [b"old"])

    class Killed(BaseException):
        pass

    def killed(self: Path, target: object) -> None:
        raise Killed

    monkeypatch.setattr(Path, "replace", killed)
    monkeypatch.setattr(Path, "unlink", lambda self, missing_ok=False: None)
    with pytest.raises(Killed):
        write_atomically(path, [b"new"])
    monkeypatch.undo()
    assert path.read_bytes() == b"old"
    write_atomically(path, [b"new"])
    assert contents(tmp_path) == {"file.txt": b"new"}


def test_the_result_is_written_last(tmp_path: Path, clutch: ExampleExam, monkeypatch: pytest.MonkeyPatch) -> None:
    written = []
    monkeypatch.setattr(output_files, "write_atomically", lambda path, chunks: written.append(path.name))
    clutch.write(tmp_path)
    assert written[-1] == "result.json"


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (errno.ENOSPC, "no space is left on the disk. Free some"),
        (errno.EROFS, "read-only. Choose another folder with --out"),
        (errno.EACCES, "permission is denied"),
        (errno.ENAMETOOLONG, "Choose another folder with --out"),
    ],
)
def test_disk_errors_have_a_plain_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, message: str
) -> None:
    def fail(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match=message) as caught:
        write_atomically(tmp_path / "report.html", [b"x"])
    assert isinstance(caught.value, ClutchlightError)
    assert str(tmp_path / "report.html") in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_file_where_a_folder_is_needed(tmp_path: Path) -> None:
    (tmp_path / "AF-0412").write_text("in the way")
    with pytest.raises(OutputError, match="there is a file where a folder is needed"):
        write_atomically(tmp_path / "AF-0412" / "2026-05-14" / "result.json", [b"x"])


def test_a_folder_where_the_file_should_lie(tmp_path: Path) -> None:
    (tmp_path / "index.html").mkdir()
    (tmp_path / "index.html" / "x").write_text("x")
    with pytest.raises(OutputError, match=r"a folder of that name is in the way"):
        write_atomically(tmp_path / "index.html", [b"x"])
    assert [path.name for path in tmp_path.iterdir()] == ["index.html"]
