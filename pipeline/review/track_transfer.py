"""Pieces found again after another network, or other settings, has followed other tracks in the same recordings.

A new track goes on where an old one was if their outlines overlap in most of the old one's kept sightings that fall
into the new one's time. Each new track goes on with one old track at most, the one whose outlines it covers best;
an old track may come back in several parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from pipeline.review.answers import Piece
from pipeline.review.batch_snapshot import Census, Footprint, TrackKey, whole
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import Track

__all__ = ["Carrying", "carry", "unchanged"]

SAME_OVERLAP = 0.4  # intersection over union, on average; outlines of one egg by two networks (judgement, no source)
NEAR_FRAMES = 2  # a track may have a gap where it was drawn
FEWEST_SHARED = 2  # sightings that must be compared, or all there are


@dataclass(frozen=True)
class Carrying:
    """Where the pieces of an older census are now. parts : by old track, None where nothing has changed

    spans : first and last frame of each old track;  files : by old file name, the present one of the same recording
    tracks : the present ones by present file name
    """

    parts: Mapping[TrackKey, tuple[Piece, ...]] | None
    spans: Mapping[TrackKey, tuple[int, int]]
    files: Mapping[str, str]
    tracks: Mapping[str, tuple[Track, ...]]

    def pieces(self, old: Sequence[Piece]) -> tuple[Piece, ...]:
        """The present pieces of old ones; empty where nothing of them is found again. Drawn outlines stay."""
        if self.parts is None:
            return tuple(old)
        found: list[Piece] = []
        for piece in old:
            if piece.track < 0:
                file = self.file(piece.clip)
                found += [piece.model_copy(update={"clip": file})] if file is not None else []
                continue
            for part in self.parts.get((piece.clip, piece.track), ()):
                cut = self._cut(piece, part)
                found += [cut] if cut is not None else []
        return tuple(found)

    def file(self, old: str) -> str | None:
        """The present name of a clip, None where its recording is no longer in the exam."""
        return old if self.parts is None else self.files.get(old)

    def found(self, file: str, frame: int, ellipse: Sequence[float]) -> Piece | None:
        """What the present result has where a person drew a missed egg. file : the clip by its present name"""
        for track in () if self.parts is None else self.tracks.get(file, ()):
            row = int(np.abs(track.frames - frame).argmin())
            if abs(int(track.frames[row]) - frame) > NEAR_FRAMES:
                continue
            if overlap([ellipse], track.ellipses[row][None])[0, 0] >= SAME_OVERLAP:
                return whole(file, track)
        return None

    def _cut(self, piece: Piece, part: Piece) -> Piece | None:
        # Where the old piece ends with its track, the new track may go on.
        first, last = self.spans[piece.clip, piece.track]
        begin = part.first if piece.first == first else max(part.first, piece.first)
        end = part.last if piece.last == last else min(part.last, piece.last)
        return part.model_copy(update={"first": begin, "last": end}) if begin <= end else None


def unchanged() -> Carrying:
    """Over the same census everything is where it was."""
    return Carrying(None, {}, {}, {})


def carry(old: Census, scans: Sequence[ClipScan]) -> Carrying:
    """From an older census to the present scans."""
    now = {scan.sha256: scan for scan in scans if scan.status == "done"}
    files = {file: now[sha256].file for file, sha256 in old.clips.items() if sha256 in now}
    parts: dict[TrackKey, list[Piece]] = {key: [] for key in old.footprints}
    for file, sha256 in old.clips.items():
        if sha256 not in now:
            continue
        before = {key: print_ for key, print_ in old.footprints.items() if key[0] == file}
        for track in now[sha256].tracks.tracks:
            covered = {key: _covered(print_, track) for key, print_ in before.items()}
            best = max(covered, key=lambda key: covered[key], default=None)
            if best is not None and covered[best] > 0:
                parts[best].append(whole(now[sha256].file, track))
    spans = {key: (int(print_.frames[0]), int(print_.frames[-1])) for key, print_ in old.footprints.items()}
    tracks = {scan.file: scan.tracks.tracks for scan in now.values()}
    return Carrying({key: tuple(found) for key, found in parts.items()}, spans, files, tracks)


def _covered(old: Footprint, track: Track) -> float:
    """How many of the old sightings' worth the track covers; 0 where it follows something else."""
    inside = (old.frames >= track.frames[0]) & (old.frames <= track.frames[-1])
    if int(inside.sum()) < min(FEWEST_SHARED, len(old.frames)):
        return 0.0
    rows = np.abs(track.frames[None] - old.frames[inside, None]).argmin(axis=1)  # the nearest sighting
    shared = np.array(
        [overlap(a[None], b[None])[0, 0] for a, b in zip(old.ellipses[inside], track.ellipses[rows], strict=True)]
    )
    return float(shared.sum()) if shared.mean() >= SAME_OVERLAP else 0.0
