"""The batch's result at the time of an answer: which eggs were made of which segments, and where those were.

It is stored with the first answer to a result, so that answers can still be applied after another network has found
other tracks. Coordinates are px of the source frame, frames count from 0.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.stages import Stage
from pipeline.estimate.results import ExamFinding
from pipeline.estimate.stages import egg_stage
from pipeline.people.answers import TrackSegment
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.merging.merge import Grouping
from pipeline.track.tracks import Track

__all__ = ["BatchSnapshot", "SnapshotEgg", "TrackKey", "TrackSamples", "sample_track", "take_snapshot", "whole_track"]

TrackKey = tuple[str, int]
SAMPLES_PER_TRACK = 16  # outlines stored, evenly spread: enough to find the track again (judgement, no source)


@dataclass(frozen=True)
class SnapshotEgg:
    """number : as on the sheet; objects that were not counted have the numbers after those

    existence : probability that it is one real egg or follicle, 0 to 1
    """

    number: int
    segments: tuple[TrackSegment, ...]
    counted_by_batch: bool
    stage: Stage
    existence: float


@dataclass(frozen=True)
class TrackSamples:
    """Some outlines of a track. frames : (N,) int64, ascending;  ellipses : (N, 5) px"""

    frames: NDArray[np.int64]
    ellipses: NDArray[np.float64]


@dataclass(frozen=True)
class BatchSnapshot:
    """clips : SHA-256 of each usable clip by file;  track_samples : of every track"""

    eggs: tuple[SnapshotEgg, ...]
    clips: Mapping[str, str]
    track_samples: Mapping[TrackKey, TrackSamples]

    def dumps(self) -> str:
        """As a JSON document, outlines to 0.1 px. Documents are compared as text, so their form must stay."""
        document = {
            "eggs": [
                [e.number, [p.model_dump() for p in e.segments], e.counted_by_batch, e.stage, round(e.existence, 4)]
                for e in self.eggs
            ],
            "clips": dict(self.clips),
            "footprints": [
                [clip, track, samples.frames.tolist(), np.round(samples.ellipses, 1).tolist()]
                for (clip, track), samples in self.track_samples.items()
            ],
        }
        return json.dumps(document, separators=(",", ":"))

    @classmethod
    def loads(cls, text: str) -> BatchSnapshot:
        document: dict[str, Any] = json.loads(text)
        return cls(
            tuple(
                SnapshotEgg(number, tuple(TrackSegment(**segment) for segment in segments), counted, stage, existence)
                for number, segments, counted, stage, existence in document["eggs"]
            ),
            document["clips"],
            {
                (clip, track): TrackSamples(np.array(frames, np.int64), np.array(ellipses, np.float64).reshape(-1, 5))
                for clip, track, frames, ellipses in document["footprints"]
            },
        )


def take_snapshot(grouping: Grouping, finding: ExamFinding, scans: Sequence[ClipScan]) -> BatchSnapshot:
    """The eggs of a result: those on the sheet with their numbers there, then those tracked but not counted.

    grouping : what the finding was computed from, before any answer
    """
    tracks = {(scan.file, track.identity): track for scan in scans for track in scan.tracks.tracks}
    number_of = {(s.clip, s.track): egg.identity for egg in finding.eggs for s in egg.sightings}
    # As the sheet says it, which knows the other objects of the exam, too.
    existence = {one.identity: one.confidence for one in finding.uncounted}
    counted: list[SnapshotEgg] = []
    uncounted: list[SnapshotEgg] = []
    for egg in grouping.eggs:
        segments = tuple(whole_track(member.file, tracks[member.file, member.track]) for member in egg.members)
        number = number_of.get((egg.members[0].file, egg.members[0].track))
        stage, _ = egg_stage(egg)
        if number is None:
            number = len(finding.eggs) + len(uncounted) + 1
            likeliest = max(egg.existence, existence.get(number, 0.0))
            uncounted.append(SnapshotEgg(number, segments, False, stage, likeliest))
        else:
            counted.append(SnapshotEgg(number, segments, True, stage, egg.existence))
    return BatchSnapshot(
        tuple(sorted(counted, key=lambda egg: egg.number) + uncounted),
        {scan.file: scan.sha256 for scan in scans if scan.status == "done"},
        {key: sample_track(track) for key, track in tracks.items()},
    )


def whole_track(clip: str, track: Track) -> TrackSegment:
    """A whole track as one segment."""
    return TrackSegment(clip=clip, track=track.identity, first=int(track.frames[0]), last=int(track.frames[-1]))


def sample_track(track: Track) -> TrackSamples:
    rows = np.unique(np.linspace(0, len(track.frames) - 1, SAMPLES_PER_TRACK).round().astype(int))
    return TrackSamples(track.frames[rows], track.ellipses[rows])
