"""A clip's scan as bytes, as it goes from the process that read the clip to the store and to the exam's estimate.

Bytes are quick to hand on: whoever does not look at the scan need not make its arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.exams.exam import ExamClip
from pipeline.scan.clip_scan import ClipScan, refused_scan
from pipeline.scan.serialization import open_archive, pack_scan, unpack_scan
from pipeline.store.records import StoredScan

__all__ = ["PackedScan"]


@dataclass(frozen=True)
class PackedScan:
    """clip, sha256, reason : as in `ClipScan`

    stored : what the store keeps; None for a clip that was refused
    """

    clip: ExamClip
    sha256: str
    reason: str | None
    stored: StoredScan | None

    @classmethod
    def of(cls, scan: ClipScan, clip: ExamClip) -> PackedScan:
        """clip : of which it is the scan"""
        return cls(clip, scan.sha256, scan.reason, pack_scan(scan) if scan.status == "done" else None)

    @classmethod
    def of_stored(cls, stored: StoredScan, clip: ExamClip, sha256: str) -> PackedScan | None:
        """None where it was packed in another format, or is damaged."""
        opened = open_archive(stored, clip)
        return None if opened is None else cls(clip, sha256, opened[0]["scalars"]["reason"], stored)

    @classmethod
    def of_refused(cls, clip: ExamClip, sha256: str, reason: str) -> PackedScan:
        """The arguments are those of `pipeline.scan.clip_scan.refused_scan`."""
        return cls.of(refused_scan(clip, sha256, reason), clip)

    @property
    def status(self) -> Literal["done", "refused"]:
        return "refused" if self.stored is None else "done"

    def unpack(self) -> ClipScan:
        """The scan, to the bit. Raises ValueError if it is damaged."""
        if self.stored is None:
            return refused_scan(self.clip, self.sha256, self.reason or "")
        scan = unpack_scan(self.stored, self.clip, self.sha256)
        if scan is None:
            raise ValueError(f"{self.clip.file}: its stored scan cannot be unpacked")
        return scan
