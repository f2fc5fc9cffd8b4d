"""Clips scanned at several frame rates with a detector that keeps a record of what it was given."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.thinned_scans import scan_thinned
from pipeline.exams.exam import ExamClip
from pipeline.exams.exam_search import find_exams
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings().with_network_rate(0)  # so that no frame is interpolated
FRAMES = 40


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> ExamClip:
    root = tmp_path_factory.mktemp("root")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=FRAMES)
    return find_exams(root).exams[0].clips[0]


def test_every_frame_is_detected_once(clip: ExamClip) -> None:
    detector = BlobFinder()
    scans = scan_thinned(clip, detector, SETTINGS, (1, 2, 5))
    assert detector.detected_frames == list(range(FRAMES))
    assert {stride: scan.frames for stride, scan in scans.items()} == {1: FRAMES, 2: FRAMES // 2, 5: FRAMES // 5}


def test_frames_that_no_earlier_rate_needed_are_still_detected(clip: ExamClip) -> None:
    detector = BlobFinder()
    scan_thinned(clip, detector, SETTINGS, (3, 2))
    # Frames 0, 2, 4, ... first, and then 3, 9, 15, ..., which are the first, third, ... of every third frame.
    assert detector.detected_frames == [*range(FRAMES // 2), *range(1, 14, 2)]


def test_a_thinned_clip_is_a_clip_of_its_own(clip: ExamClip) -> None:
    scans = scan_thinned(clip, BlobFinder(), SETTINGS, (1, 2))
    full, thinned = scans[1], scans[2]
    assert (full.frame_rate, thinned.frame_rate) == (pytest.approx(25.0), pytest.approx(12.5))
    assert thinned.used_frames.tolist() == list(range(FRAMES // 2))
    assert len(thinned.tracks.tracks) == len(full.tracks.tracks) == 2
    # The same picture has the same detections under its new number.
    assert thinned.ellipse[thinned.frame == 10].tolist() == full.ellipse[full.frame == 20].tolist()


def test_a_clip_that_cannot_be_read_is_refused_at_every_rate(tmp_path: Path) -> None:
    folder = tmp_path / "AF-0001" / "2026-05-14"
    folder.mkdir(parents=True)
    (folder / "left-1.mp4").write_text("no video")
    clip = find_exams(tmp_path).exams[0].clips[0]
    scans = scan_thinned(clip, BlobFinder(), SETTINGS, (1, 5))
    assert [scan.status for scan in scans.values()] == ["refused", "refused"]
