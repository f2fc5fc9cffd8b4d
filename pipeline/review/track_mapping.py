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
from pipeline.review.answers import TrackSegment
from pipeline.review.batch_snapshot import BatchSnapshot, TrackKey, TrackSamples, whole_track
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import Track

__all__ = ["TrackMapping", "identity_mapping", "map_tracks"]

SAME_OBJECT_IOU = 0.4  # intersection over union, on average; outlines of one egg by two networks (judgement, no source)
MAXIMUM_GAP_FRAMES = 2  # a track may have a gap where it was drawn
MINIMUM_SHARED_SIGHTINGS = 2  # sightings that must be compared, or all there are


@dataclass(frozen=True)
class TrackMapping:
    """Where the segments of an older census are now. parts : by old track, None where nothing has changed

    spans : first and last frame of each old track;  files : by old file name, the present one of the same recording
    tracks : the present ones by present file name
    """

    parts: Mapping[TrackKey, tuple[TrackSegment, ...]] | None
    spans: Mapping[TrackKey, tuple[int, int]]
    files: Mapping[str, str]
    tracks: Mapping[str, tuple[Track, ...]]

    def map_segments(self, old: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
        """The present segments of old ones; empty where nothing of them is found again. Drawn outlines stay."""
        if self.parts is None:
            return tuple(old)
        found: list[TrackSegment] = []
        for segment in old:
            if segment.track < 0:
                file = self.current_file(segment.clip)
                found += [segment.model_copy(update={"clip": file})] if file is not None else []
                continue
            for part in self.parts.get((segment.clip, segment.track), ()):
                cut = self._cut(segment, part)
                found += [cut] if cut is not None else []
        return tuple(found)

    def current_file(self, old: str) -> str | None:
        """The present name of a clip, None where its recording is no longer in the exam."""
        return old if self.parts is None else self.files.get(old)

    def find_track(self, file: str, frame: int, ellipse: Sequence[float]) -> TrackSegment | None:
        """What the present result has where a person drew a missed egg. file : the clip by its present name"""
        for track in () if self.parts is None else self.tracks.get(file, ()):
            row = int(np.abs(track.frames - frame).argmin())
            if abs(int(track.frames[row]) - frame) > MAXIMUM_GAP_FRAMES:
                continue
            if overlap([ellipse], track.ellipses[row][None])[0, 0] >= SAME_OBJECT_IOU:
                return whole_track(file, track)
        return None

    def _cut(self, segment: TrackSegment, part: TrackSegment) -> TrackSegment | None:
        # Where the old segment ends with its track, the new track may go on.
        first, last = self.spans[segment.clip, segment.track]
        begin = part.first if segment.first == first else max(part.first, segment.first)
        end = part.last if segment.last == last else min(part.last, segment.last)
        return part.model_copy(update={"first": begin, "last": end}) if begin <= end else None


def identity_mapping() -> TrackMapping:
    """Over the same census everything is where it was."""
    return TrackMapping(None, {}, {}, {})


def map_tracks(old: BatchSnapshot, scans: Sequence[ClipScan]) -> TrackMapping:
    """From an older census to the present scans."""
    now = {scan.sha256: scan for scan in scans if scan.status == "done"}
    files = {file: now[sha256].file for file, sha256 in old.clips.items() if sha256 in now}
    parts: dict[TrackKey, list[TrackSegment]] = {key: [] for key in old.track_samples}
    for file, sha256 in old.clips.items():
        if sha256 not in now:
            continue
        before = {key: print_ for key, print_ in old.track_samples.items() if key[0] == file}
        for track in now[sha256].tracks.tracks:
            covered = {key: _covered(print_, track) for key, print_ in before.items()}
            best = max(covered, key=lambda key: covered[key], default=None)
            if best is not None and covered[best] > 0:
                parts[best].append(whole_track(now[sha256].file, track))
    spans = {key: (int(print_.frames[0]), int(print_.frames[-1])) for key, print_ in old.track_samples.items()}
    tracks = {scan.file: scan.tracks.tracks for scan in now.values()}
    return TrackMapping({key: tuple(found) for key, found in parts.items()}, spans, files, tracks)


def _covered(old: TrackSamples, track: Track) -> float:
    """How many of the old sightings' worth the track covers; 0 where it follows something else."""
    inside = (old.frames >= track.frames[0]) & (old.frames <= track.frames[-1])
    if int(inside.sum()) < min(MINIMUM_SHARED_SIGHTINGS, len(old.frames)):
        return 0.0
    rows = np.abs(track.frames[None] - old.frames[inside, None]).argmin(axis=1)  # the nearest sighting
    shared = np.array(
        [overlap(a[None], b[None])[0, 0] for a, b in zip(old.ellipses[inside], track.ellipses[rows], strict=True)]
    )
    return float(shared.sum()) if shared.mean() >= SAME_OBJECT_IOU else 0.0
