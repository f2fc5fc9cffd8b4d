"""What the store holds, as the rest of the program sees it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["NO_LISTING", "ExamListing", "ScanKey", "StoredExam", "StoredPicture", "StoredScan"]


@dataclass(frozen=True)
class ScanKey:
    """Everything that decides a scan: equal keys always give the same scan.

    clip_sha256 : of the recording's bytes
    model_sha256 : of the network's weights file
    settings_sha256 : of the settings that decide a scan
    engine : the inference engine's name, since the results of two engines agree only within tolerances
    """

    clip_sha256: str
    model_sha256: str
    settings_sha256: str
    engine: str


@dataclass(frozen=True)
class StoredPicture:
    """The picture of one track.

    frame : index from 0 in decoding order
    ellipse : [cx, cy, semi-major, semi-minor, degrees], px of the picture
    jpeg : the picture as a JPEG file
    """

    track: int
    frame: int
    ellipse: tuple[float, float, float, float, float]
    jpeg: bytes


@dataclass(frozen=True)
class StoredScan:
    """A scan as it is stored. archive : packed by `pipeline.scan.serialization`; pictures : sorted by track"""

    archive: bytes
    pictures: tuple[StoredPicture, ...]


@dataclass(frozen=True)
class ExamListing:
    """What lists of exams are ordered and filtered by, so that the result itself need not be read.

    folder : of its results, relative to the output folder; "" for a result that is in no list, since it cannot be read
    urgency : 0 for the most urgent (`pipeline.report.priority`)
    error_probability : that count or stage is wrong, 0 to 1;  severities : of its flags, each between commas
    """

    folder: str = ""
    species: str = ""
    urgency: int = 0
    error_probability: float = 0.0
    severities: str = ""


NO_LISTING = ExamListing()


@dataclass(frozen=True)
class StoredExam:
    """The last result of one exam.

    date : ISO 8601
    fingerprint : SHA-256 of everything that the result depends on
    summary_json : the exam's summary for the overview, as JSON
    files : the files written for it, relative to the output folder
    """

    animal: str
    date: str
    fingerprint: str
    summary_json: str
    files: tuple[str, ...]
    listing: ExamListing = NO_LISTING
