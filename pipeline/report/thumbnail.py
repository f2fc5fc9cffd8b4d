"""The object of an exam that most needs a person's eye, as a small picture for the index."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.estimate.results import EggFinding, ExamFinding, UncountedObject
from pipeline.language.translation import stored
from pipeline.report.egg_pictures import egg_picture
from pipeline.report.sightings import best_picture
from pipeline.scan.clip_scan import ClipScan

__all__ = ["THUMBNAIL", "Doubtful", "most_doubtful", "thumbnail_jpeg"]

THUMBNAIL = "thumbnail.jpg"
SIZE = (240, 180)  # px; twice what the index shows, for screens with small pixels
QUALITY = 80  # of the JPEG, 0 to 100
NUMBERED = stored("Number {number}: {what}")
FLAGGED, LEAST_SURE = stored("flagged, {stage}"), stored("least sure, {stage}")


@dataclass(frozen=True)
class Doubtful:
    """shown : the object;  text : what it is, for people who cannot see the picture; in English"""

    shown: EggFinding | UncountedObject
    text: str


def most_doubtful(finding: ExamFinding, scans: Sequence[ClipScan]) -> Doubtful | None:
    """The likeliest object that was not counted; else the egg that the most urgent flag is about; else the least sure.

    None if no picture was kept.
    """
    uncounted = sorted(finding.uncounted, key=lambda one: -one.confidence)
    eggs = {egg.identity: egg for egg in finding.eggs}
    flagged = [eggs[number] for flag in finding.flags for number in flag.eggs if number in eggs]
    listed = sorted(finding.eggs, key=lambda egg: egg.confidence * egg.stage_probability)
    candidates: list[tuple[EggFinding | UncountedObject, str]] = [
        *((one, stored("uncertain, not counted")) for one in uncounted),
        *((egg, FLAGGED.format(stage=egg.stage)) for egg in flagged),
        *((egg, LEAST_SURE.format(stage=egg.stage)) for egg in listed),
    ]
    for shown, why in candidates:
        if best_picture(shown, scans) is not None:
            return Doubtful(shown, NUMBERED.format(number=shown.identity, what=why))
    return None


def thumbnail_jpeg(finding: ExamFinding, scans: Sequence[ClipScan]) -> bytes | None:
    """None if there is nothing to show."""
    import cv2

    doubtful = most_doubtful(finding, scans)
    found = best_picture(doubtful.shown, scans) if doubtful else None
    picture = egg_picture(doubtful.shown, found) if doubtful and found else None
    if picture is None:
        return None
    grey = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        return None
    small = cv2.resize(grey, SIZE, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1])
