"""The structured report of a DICOM recording with three eggs, read back, and checked by dciodvfy if it is installed."""

from __future__ import annotations

import datetime as dt
import io
import shutil
import subprocess
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from pydicom import dcmread
from pydicom.uid import generate_uid

from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.exams.exam import Exam, ExamClip
from pipeline.report.exam_files import EstimatedExam, exam_files
from pipeline.report.export.dicom_sources import dicom_headers
from pipeline.report.export.result import ModelIdentity
from pipeline.report.export.structured_report import ellipse_in_stored_pixels, structured_reports
from pipeline.report.output_files import replace_exam_files
from pipeline.scan.clip_scan import ClipScan, scan_clip
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film
from tests.pipeline.ingest.dicom.dicom_files import region_item, write_uncompressed_dicom

if TYPE_CHECKING:
    from pipeline.estimate.results import ExamFinding

MODEL = ModelIdentity("alder-1", "b" * 64)
SETTINGS = load_settings()


@dataclass(frozen=True)
class Recorded:
    exam: Exam
    scans: list[ClipScan]
    finding: ExamFinding

    def reports(self) -> list[bytes]:
        return structured_reports(self.exam, self.finding, self.scans, dicom_headers(self.exam, self.scans), MODEL)


def identity(number: int, study: str = "one") -> dict[str, Any]:
    instance = generate_uid(entropy_srcs=["instance", str(number), study])
    return {
        "SOPInstanceUID": instance,
        "StudyInstanceUID": generate_uid(entropy_srcs=["study", study]),
        "SeriesInstanceUID": generate_uid(entropy_srcs=["series", study]),
        "PatientID": "AF-0412",
        "PatientName": "Alder^Fen",
        "StudyDate": "20260514",
    }


def record(folder: Path, *elements: dict[str, Any]) -> Recorded:
    """One clip for each set of elements."""
    pictures = np.stack(film(3))
    clips = []
    for number, header in enumerate(elements):
        height, width = pictures.shape[1:]
        regions = [region_item((0, 0, width - 1, height - 1), 0.05)]
        path = write_uncompressed_dicom(
            folder / f"left-{number}.dcm", pictures, SequenceOfUltrasoundRegions=regions, **header
        )
        clips.append(ExamClip(path, path.name, "left", None, None))
    exam = Exam(folder, "AF-0412", dt.date(2026, 5, 14), None, None, None, None, 0, tuple(clips))
    scans = [scan_clip(clip, "a" * 64, BlobFinder(), SETTINGS, lambda frames: None) for clip in clips]
    coverage = [
        ClipCoverage(scan.file, scan.window, scan.status, None, scan.frames, len(scan.used_frames)) for scan in scans
    ]
    finding = estimate_exam(exam, [scan.tracks for scan in scans], coverage, SETTINGS)
    return Recorded(exam, scans, finding)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return record(tmp_path_factory.mktemp("exam"), identity(0))


def test_dciodvfy_finds_no_error(recorded: Recorded, tmp_path: Path) -> None:
    validator = shutil.which("dciodvfy")
    if validator is None:
        pytest.skip("dciodvfy (Debian's dicom3tools) is not installed")
    (report,) = recorded.reports()
    path = tmp_path / "report.dcm"
    path.write_bytes(report)
    result = subprocess.run([validator, str(path)], capture_output=True, text=True, check=False)
    lines = (result.stderr + result.stdout).splitlines()
    assert "ComprehensiveSR" in lines  # it recognised the kind of document
    assert not [line for line in lines if line.startswith("Error")]


def test_it_reads_back_with_outlines_stages_and_counts(recorded: Recorded) -> None:
    from highdicom.sr import srread

    (report,) = recorded.reports()
    back = srread(io.BytesIO(report))
    groups = back.content.get_planar_roi_measurement_groups()
    assert len(groups) == len(recorded.finding.eggs) == 3
    (scan,) = recorded.scans
    for egg, group in zip(recorded.finding.eggs, groups, strict=True):
        picture = scan.pictures[egg.sightings[0].track]
        reference = group.roi.ContentSequence[0].ReferencedSOPSequence[0]
        assert reference.ReferencedFrameNumber == picture.frame + 1
        ends = np.reshape(group.roi.GraphicData, (4, 2))
        np.testing.assert_allclose(ends[:2].mean(0) - 0.5, picture.ellipse[:2], atol=0.02)
        assert np.linalg.norm(ends[0] - ends[1]) == pytest.approx(2 * picture.ellipse[2], abs=0.05)
        assert np.linalg.norm(ends[2] - ends[3]) == pytest.approx(2 * picture.ellipse[3], abs=0.05)
        stages = [each.value.meaning for each in group.get_qualitative_evaluations() if each.name.value == "stage"]
        assert stages == [egg.stage.capitalize()]
        sizes = {each.name.meaning: each.value for each in group.get_measurements()}
        assert egg.width_mm is not None
        assert sizes["Width"] == pytest.approx(egg.width_mm, abs=0.06)
    (clutch,) = [each for each in back.content.get_image_measurement_groups() if each.finding_type.value == "clutch"]
    numbers = {each.name.value: each.value for each in clutch.get_measurements()}
    assert numbers["shelled-n"] == recorded.finding.shelled.estimate
    assert (numbers["shelled-low"], numbers["shelled-high"]) == recorded.finding.shelled.interval90


def test_it_belongs_to_the_patient_and_study_of_the_recordings(recorded: Recorded) -> None:
    (report,) = recorded.reports()
    made = dcmread(io.BytesIO(report))
    source = dcmread(recorded.exam.clips[0].path, stop_before_pixels=True)
    for keyword in ("PatientID", "PatientName", "StudyInstanceUID", "StudyDate"):
        assert made[keyword].value == source[keyword].value, keyword
    assert made.SeriesInstanceUID != source.SeriesInstanceUID
    assert made.Modality == "SR"
    assert made.ContentDate == "20260514"


def test_the_same_exam_gives_the_same_bytes(recorded: Recorded, monkeypatch: pytest.MonkeyPatch) -> None:
    first = recorded.reports()
    monkeypatch.setattr("time.time", lambda: 2_000_000_000.0)
    assert recorded.reports() == first
    other = replace(recorded, finding=replace(recorded.finding, confidence=0.1))
    assert dcmread(io.BytesIO(other.reports()[0])).SOPInstanceUID != dcmread(io.BytesIO(first[0])).SOPInstanceUID


def test_each_study_has_its_own_document(tmp_path: Path) -> None:
    two = record(tmp_path, identity(0), identity(1), identity(2, "another"))
    made = [dcmread(io.BytesIO(report)) for report in two.reports()]
    assert len({each.StudyInstanceUID for each in made}) == len(made) == 2


def test_recordings_that_do_not_identify_themselves_have_no_report(tmp_path: Path) -> None:
    nameless = record(tmp_path, {})
    assert nameless.scans[0].status == "done"
    assert nameless.reports() == []


def test_an_outline_is_stretched_to_the_stored_picture() -> None:
    ellipse = np.array([100.0, 80.0, 30.0, 20.0, 35.0])
    turn = np.linspace(0, 2 * np.pi, 60)
    angle = np.deg2rad(ellipse[4])
    x = 100 + 30 * np.cos(turn) * np.cos(angle) - 20 * np.sin(turn) * np.sin(angle)
    y = 80 + 30 * np.cos(turn) * np.sin(angle) + 20 * np.sin(turn) * np.cos(angle)
    points = np.column_stack([(x + 0.5) * 1.5 - 0.5, y]).astype(np.float32)
    (cx, cy), axes, _ = cv2.fitEllipse(points)
    stored = ellipse_in_stored_pixels(ellipse, 1.5)
    np.testing.assert_allclose(stored[:2], [cx, cy], atol=0.01)
    np.testing.assert_allclose(2 * stored[2:4], sorted(axes, reverse=True), atol=0.05)
    np.testing.assert_allclose(ellipse_in_stored_pixels(ellipse, 1.0), ellipse)


def test_it_is_written_next_to_the_sheet_and_outdated_ones_are_removed(recorded: Recorded, tmp_path: Path) -> None:
    estimated = EstimatedExam(recorded.exam, recorded.finding, recorded.scans, MODEL, "c" * 64)
    folder = tmp_path / "AF-0001"
    replace_exam_files(folder, exam_files(estimated))
    assert (folder / "report-1.dcm").read_bytes() == recorded.reports()[0]
    (folder / "report-2.dcm").write_bytes(b"of another study, since taken away")
    replace_exam_files(folder, exam_files(estimated))
    assert [path.name for path in folder.glob("*.dcm")] == ["report-1.dcm"]


def test_a_name_of_one_part_is_passed_on_without_a_warning(tmp_path: Path) -> None:
    """Many clinics write such names. Warnings are errors in tests; elsewhere they would appear on the terminal."""
    (report,) = record(tmp_path, {**identity(0), "PatientName": "Alder"}).reports()
    assert str(dcmread(io.BytesIO(report)).PatientName) == "Alder"


@pytest.mark.parametrize(
    ("keyword", "value"),
    [("PatientSex", "MN"), ("StudyTime", "noon"), ("StudyDate", "soon"), ("PatientBirthDate", "about 1990")],
)
def test_values_that_the_standard_does_not_allow_are_left_empty(tmp_path: Path, keyword: str, value: str) -> None:
    """Scanners for animals write "MN" for neutered males. The exam must not fail because of that."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom warns about these values
        (report,) = record(tmp_path, {**identity(0), keyword: value}).reports()
        made = dcmread(io.BytesIO(report))
    assert made[keyword].value in ("", None)
    assert made.PatientID == "AF-0412"
