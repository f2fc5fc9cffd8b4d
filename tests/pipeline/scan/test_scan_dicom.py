"""A DICOM recording from file to scan: its own scale, its own region of echoes, and no names in its pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.exams.exam import ExamClip
from pipeline.exams.exam_search import find_exams
from pipeline.scan.clip_scan import ClipScan, scan_clip
from pipeline.scan.serialization import pack_scan, unpack_scan
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import HEIGHT, WIDTH, BlobFinder, film
from tests.pipeline.ingest.dicom.dicom_files import region_item, write_uncompressed_dicom

SHA256 = "a" * 64
TITLE_PX = 40


def clip_at(path: Path, mm_per_px: float | None = None) -> ExamClip:
    return ExamClip(path, path.name, "left", mm_per_px, None)


def write_recording(path: Path, **elements: Any) -> Path:
    """Three eggs under a line of burnt-in text as bright as the eggs."""
    pictures = np.stack(film(3))
    titled = np.zeros((len(pictures), HEIGHT + TITLE_PX, WIDTH), np.uint8)
    titled[:, TITLE_PX:] = pictures
    for picture in titled:
        cv2.putText(picture, "ALDER FEN 0412", (4, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 3)
    regions = [region_item((0, TITLE_PX, WIDTH - 1, HEIGHT + TITLE_PX - 1), 0.05)]
    return write_uncompressed_dicom(path, titled, **{"SequenceOfUltrasoundRegions": regions, **elements})


def scan(path: Path, mm_per_px: float | None = None) -> ClipScan:
    return scan_clip(clip_at(path, mm_per_px), SHA256, BlobFinder(), load_settings(), lambda frames: None)


def test_the_region_gives_the_scale_and_excludes_the_text(tmp_path: Path) -> None:
    found = scan(write_recording(tmp_path / "IM_0001"))
    assert (found.status, found.reason, found.frames, found.frame_rate) == ("done", None, 40, 25.0)
    assert (found.mm_per_px, found.scale_source, found.scale_note) == (pytest.approx(0.5), "dicom", None)
    assert found.tracks.mm_per_px == found.mm_per_px
    assert len(found.pictures) == 3
    for picture in found.pictures.values():
        shown = np.asarray(cv2.imdecode(np.frombuffer(picture.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE))
        assert shown.shape == (HEIGHT + TITLE_PX, WIDTH)
        assert shown[: TITLE_PX - 8].max() < 10


def test_a_rejected_scale_is_reported_and_that_of_exam_toml_is_used(tmp_path: Path) -> None:
    path = write_recording(
        tmp_path / "a.dcm", SequenceOfUltrasoundRegions=[region_item((0, 0, 2 * WIDTH, 2 * HEIGHT), 0.05)]
    )
    found = scan(path)
    assert (found.mm_per_px, found.scale_source) == (None, "unknown")
    assert "it was made smaller after the header was written" in str(found.scale_note)
    with_side_file = scan(path, 0.4)
    assert (with_side_file.mm_per_px, with_side_file.scale_source) == (0.4, "sidecar")


def test_a_stored_scan_keeps_the_recordings_scale(tmp_path: Path) -> None:
    path = write_recording(tmp_path / "a.dcm")
    restored = unpack_scan(pack_scan(scan(path)), clip_at(path, 0.9), SHA256)
    assert restored is not None
    assert (restored.mm_per_px, restored.scale_source) == (pytest.approx(0.5), "dicom")
    assert restored.scale_note == "exam.toml says 0.9 mm/px, the file's own scale was used"


def test_files_without_an_extension_belong_to_the_exam(tmp_path: Path) -> None:
    folder = tmp_path / "AF-0412" / "2026-05-14"
    folder.mkdir(parents=True)
    write_uncompressed_dicom(folder / "IM_0001")
    write_uncompressed_dicom(folder / "SCAN.DCM")
    write_uncompressed_dicom(folder / "DICOMDIR")
    (folder / "notes").write_text("seen well")
    (exam,) = find_exams(tmp_path).exams
    assert [clip.file for clip in exam.clips] == ["IM_0001", "SCAN.DCM"]


def test_a_link_out_of_the_root_is_not_followed_into_a_clip(tmp_path: Path) -> None:
    folder = tmp_path / "root" / "AF-0412" / "2026-05-14"
    folder.mkdir(parents=True)
    write_uncompressed_dicom(folder / "IM_0001")
    (folder / "IM_0002").symlink_to(write_uncompressed_dicom(tmp_path / "elsewhere"))
    search = find_exams(tmp_path / "root")
    assert search.problems == ()
    clips = search.exams[0].clips
    assert [(clip.file, clip.refusal is None) for clip in clips] == [("IM_0001", True), ("IM_0002", False)]
    assert "a link that leads out of" in str(clips[1].refusal)
