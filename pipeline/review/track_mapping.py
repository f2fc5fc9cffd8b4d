"""Finding track segments again after another network, or other settings, made other tracks of the same recordings.

A new track continues an old one if their outlines overlap well, on average, over the old one's stored samples that fall
into the new one's time. Each new track continues at most one old track, the one whose outlines it covers best; an old
track may be continued by several new ones.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from pipeline.people.answers import TrackSegment
from pipeline.review.batch_snapshot import BatchSnapshot, TrackKey, TrackSamples, whole_track
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import Track

__all__ = ["TrackMapping", "identity_mapping", "map_tracks"]

# Judgement, no source.
MINIMUM_MEAN_IOU = 0.4  # intersection over union, on average, of outlines of one egg by two networks
MAXIMUM_GAP_FRAMES = 2  # a new track may have a gap at the frame on which an outline was drawn
MINIMUM_SHARED_SAMPLES = 2  # samples that must be compared, or all if there are fewer


@dataclass(frozen=True)
class TrackMapping:
    """From the segments of an older snapshot to current ones.

    parts : current segments by old track; None if nothing has changed
    spans : first and last frame of each old track;  files : by old file name, the current one of the same recording
    tracks : current ones by current file name
    """

    parts: Mapping[TrackKey, tuple[TrackSegment, ...]] | None
    spans: Mapping[TrackKey, tuple[int, int]]
    files: Mapping[str, str]
    tracks: Mapping[str, tuple[Track, ...]]

    def map_segments(self, old: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
        """The current segments of old ones; empty if none is found again. Drawn outlines stay."""
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
        """The current name of a clip, None if its recording is no longer in the exam."""
        return old if self.parts is None else self.files.get(old)

    def find_track(self, file: str, frame: int, ellipse: Sequence[float]) -> TrackSegment | None:
        """The current track where a user drew a missed egg, None if there is none. file : the clip's current name"""
        for track in () if self.parts is None else self.tracks.get(file, ()):
            row = int(np.abs(track.frames - frame).argmin())
            if abs(int(track.frames[row]) - frame) > MAXIMUM_GAP_FRAMES:
                continue
            if overlap([ellipse], track.ellipses[row][None])[0, 0] >= MINIMUM_MEAN_IOU:
                return whole_track(file, track)
        return None

    def _cut(self, segment: TrackSegment, part: TrackSegment) -> TrackSegment | None:
        # If the old segment ends where its track ends, the new track may be longer.
        first, last = self.spans[segment.clip, segment.track]
        begin = part.first if segment.first == first else max(part.first, segment.first)
        end = part.last if segment.last == last else min(part.last, segment.last)
        return part.model_copy(update={"first": begin, "last": end}) if begin <= end else None


def identity_mapping() -> TrackMapping:
    """For the same snapshot: nothing has changed."""
    return TrackMapping(None, {}, {}, {})


def map_tracks(old: BatchSnapshot, scans: Sequence[ClipScan]) -> TrackMapping:
    """From an older snapshot to the current scans."""
    current = {scan.sha256: scan for scan in scans if scan.status == "done"}
    files = {file: current[sha256].file for file, sha256 in old.clips.items() if sha256 in current}
    parts: dict[TrackKey, list[TrackSegment]] = {key: [] for key in old.track_samples}
    for file, sha256 in old.clips.items():
        if sha256 not in current:
            continue
        of_clip = {key: samples for key, samples in old.track_samples.items() if key[0] == file}
        for track in current[sha256].tracks.tracks:
            ious = {key: _summed_iou(samples, track) for key, samples in of_clip.items()}
            best = max(ious, key=lambda key: ious[key], default=None)
            if best is not None and ious[best] > 0:
                parts[best].append(whole_track(current[sha256].file, track))
    spans = {key: (int(samples.frames[0]), int(samples.frames[-1])) for key, samples in old.track_samples.items()}
    tracks = {scan.file: scan.tracks.tracks for scan in current.values()}
    return TrackMapping({key: tuple(found) for key, found in parts.items()}, spans, files, tracks)


def _summed_iou(old: TrackSamples, track: Track) -> float:
    """The intersection over union summed over the old samples in the track's time; 0 if it tracks something else."""
    inside = (old.frames >= track.frames[0]) & (old.frames <= track.frames[-1])
    if int(inside.sum()) < min(MINIMUM_SHARED_SAMPLES, len(old.frames)):
        return 0.0
    rows = np.abs(track.frames[None] - old.frames[inside, None]).argmin(axis=1)  # nearest in time
    ious = np.array(
        [overlap(a[None], b[None])[0, 0] for a, b in zip(old.ellipses[inside], track.ellipses[rows], strict=True)]
    )
    return float(ious.sum()) if ious.mean() >= MINIMUM_MEAN_IOU else 0.0
