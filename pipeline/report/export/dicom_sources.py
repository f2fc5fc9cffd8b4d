"""The headers of an exam's DICOM recordings, complete enough for a structured report to refer to them."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.exams.exam import Exam
from pipeline.ingest.file_types import is_dicom
from pipeline.scan.clip_scan import ClipScan

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["dicom_headers"]

# They identify an image and its place in an archive. Without them a report cannot refer to the image.
REQUIRED_KEYWORDS = ("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "Columns", "Rows")
# Type 2 of the patient and study modules (PS3.3 C.7.1.1, C.7.2.1): must be present, but may be empty.
TYPE_2_KEYWORDS = (
    "PatientID",
    "PatientName",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
SEXES = ("M", "F", "O", "", None)  # allowed values, PS3.3 C.7.1.1


def dicom_headers(exam: Exam, scans: Sequence[ClipScan]) -> dict[str, Dataset]:
    """By file name: headers of the clips that were used, are DICOM files and identify themselves.

    A file that can no longer be read is left out. The report is not essential, so it must not make the exam fail.
    """
    done = {scan.file for scan in scans if scan.status == "done"}
    headers: dict[str, Dataset] = {}
    for clip in exam.clips:
        if clip.file not in done:
            continue
        from pydicom import dcmread  # takes long to import, and few exams need it

        try:
            if not clip.path.is_file() or not is_dicom(clip.path):
                continue
            with clip.path.open("rb") as file, warnings.catch_warnings():
                warnings.simplefilter("ignore")  # about invalid values, which scanners do write
                header = dcmread(file, stop_before_pixels=True, force=True)
        except Exception:  # pydicom may raise anything on a damaged header; the pixels could still be read
            continue
        if all(header.get(keyword) for keyword in REQUIRED_KEYWORDS):
            for keyword in TYPE_2_KEYWORDS:
                if keyword not in header or not _is_allowed(keyword, header.get(keyword)):
                    setattr(header, keyword, "")
            headers[clip.file] = header
    return headers


def _is_allowed(keyword: str, value: Any) -> bool:
    """Whether the standard allows the value. Some scanners write the sex of a neutered animal, which it does not."""
    from pydicom.valuerep import DA, TM

    if keyword == "PatientSex":
        return value in SEXES
    kind = TM if keyword.endswith("Time") else DA if keyword.endswith("Date") else None
    try:
        if kind is not None:
            kind(value or "")
    except (TypeError, ValueError):
        return False
    return True
