"""Joins between a finding and the scans it came from: which tracks, objects and pictures belong to which egg."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.results import EggFinding, ExamFinding, Sighting, UncountedObject
from pipeline.scan.clip_scan import ClipScan, ScanPicture

__all__ = [
    "EggPicture",
    "best_picture",
    "egg_id_by_track",
    "joined_tracks",
    "measured_sizes_mm",
    "natural_sort_key",
    "sorted_scans",
    "sorted_sightings",
]


@dataclass(frozen=True)
class EggPicture:
    """The picture that shows an egg best, with its clip and its sighting."""

    scan: ClipScan
    sighting: Sighting
    picture: ScanPicture


def natural_sort_key(file: str) -> tuple[tuple[int, int, str], ...]:
    """Key that sorts left-2 before left-10."""
    parts = re.split(r"(\d+)", file)
    return tuple((1, int(part), part) if part.isdecimal() else (0, 0, part) for part in parts)


def sorted_scans(scans: Sequence[ClipScan]) -> list[ClipScan]:
    """The clips by name, in whatever order they were finished."""
    return sorted(scans, key=lambda scan: natural_sort_key(scan.file))


def sorted_sightings(egg: EggFinding | UncountedObject) -> list[Sighting]:
    """An object's sightings by clip, then by first frame."""
    return sorted(egg.sightings, key=lambda s: (natural_sort_key(s.clip), s.first_frame, s.track))


def egg_id_by_track(finding: ExamFinding) -> dict[tuple[str, int], int]:
    """From (clip, track) to the egg it was counted as. Tracks that were not counted are absent."""
    return {(s.clip, s.track): egg.identity for egg in finding.eggs for s in egg.sightings}


def joined_tracks(finding: ExamFinding, scan: ClipScan) -> NDArray[np.int64]:
    """(D,) the track that each detection of a clip belongs to, with those of one egg joined; 0 if it belongs to none.

    All tracks of one egg in a clip get the lowest of their numbers. So an egg that the probe left and came back to is
    one object, and readers of the file need not join its tracks again.
    """
    object_of_track = np.arange(int(scan.track.max(initial=0)) + 1)
    for egg in finding.eggs:
        tracks = [sighting.track for sighting in egg.sightings if sighting.clip == scan.file]
        object_of_track[[track for track in tracks if 0 < track < len(object_of_track)]] = min(tracks, default=0)
    return np.asarray(object_of_track[scan.track], dtype=np.int64)


def measured_sizes_mm(eggs: Sequence[EggFinding]) -> list[tuple[float, float]]:
    """Length and width of the eggs that have both."""
    return [
        (egg.length_mm, egg.width_mm)
        for egg in eggs
        if egg.length_mm is not None and egg.width_mm is not None and math.isfinite(egg.length_mm + egg.width_mm)
    ]


def best_picture(egg: EggFinding | UncountedObject, scans: Sequence[ClipScan]) -> EggPicture | None:
    """The picture of the sighting whose shown frame scored highest; None if no picture was kept."""
    by_file = {scan.file: scan for scan in scans}
    best: EggPicture | None = None
    best_score = -1.0
    for sighting in sorted_sightings(egg):
        scan = by_file.get(sighting.clip)
        picture = scan.pictures.get(sighting.track) if scan else None
        if scan is None or picture is None:
            continue
        shown = (scan.track == sighting.track) & (scan.frame == picture.frame)
        score = float(np.max(scan.score[shown], initial=0.0))
        if score > best_score:
            best, best_score = EggPicture(scan, sighting, picture), score
    return best
