from __future__ import annotations

from pathlib import Path

from pipeline.batch.exam_scans import read_exam_scans
from pipeline.batch.run import run_batch
from pipeline.exams.exam_search import find_exams
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings()
FRAMES = 24


def test_clips_are_read_once_by_this_and_by_a_batch(tmp_path: Path) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    for seed, animal in enumerate(("AF-0001", "AF-0002")):
        write_exam_folder(root, animal, {"left-1.mp4": 1, "right-1.mp4": 2}, frames=FRAMES, seed=2 * seed)
    exams = find_exams(root).exams
    scans = {exam.animal: clips for exam, clips in read_exam_scans(exams, out, BlobFinder, SETTINGS)}
    assert {animal: [scan.file for scan in clips] for animal, clips in scans.items()} == {
        "AF-0001": ["left-1.mp4", "right-1.mp4"],
        "AF-0002": ["left-1.mp4", "right-1.mp4"],
    }
    assert {scan.frames for clips in scans.values() for scan in clips} == {FRAMES}
    again = {exam.animal: clips for exam, clips in read_exam_scans(exams, out, BlobFinder, SETTINGS)}
    report = run_batch(root, out, SETTINGS, BlobFinder)
    assert {clip.status for clip in report.clips} == {"kept"}
    assert [len(scan.tracks.tracks) for scan in again["AF-0001"]] == [1, 2]
