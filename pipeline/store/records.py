"""What the store holds, as the rest of the program sees it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ScanKey", "StoredExam", "StoredPicture", "StoredScan"]


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
