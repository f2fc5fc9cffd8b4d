"""What a batch found in exams whose truth is known, track by track and object by object."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ellipse import overlap
from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.events import BatchEvent
from pipeline.bench.ground_truth import DataSet
from pipeline.detect.detector import FrameDetector
from pipeline.exams.exam_search import Exam, find_exams
from pipeline.scan.clip_scan import ClipScan
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import Settings
from pipeline.store.store import Store
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["CrossedObject", "TrainingExam", "read_training_exams"]

_OVERLAP = 0.3  # of outlines, intersection over union, from which a sighting is of that object


@dataclass(frozen=True)
class CrossedObject:
    """One object that one clip crossed, as ``animals.json`` tells.

    size, depth : mean semi-axis and depth of its largest section, as shares of the picture's depth
    """

    shelled: bool
    detected: bool
    size: float
    depth: float


@dataclass(frozen=True)
class TrainingExam:
    """One exam. crossed_counts : shelled eggs, and follicles, that the sweeps crossed

    track_labels : by clip and track, True of a shelled egg and False of a follicle that were crossed, None of all else: what
    no sweep crossed in good view is not counted in ``crossed_counts`` either
    objects : those that each clip crossed;  missed_counts : of ``crossed_counts``, those that no track follows
    """

    exam: Exam
    clips: tuple[ClipTracks, ...]
    coverage: tuple[ClipCoverage, ...]
    track_labels: Mapping[tuple[str, int], bool | None]
    objects: tuple[CrossedObject, ...]
    crossed_counts: tuple[int, int]
    missed_counts: tuple[int, int]


def read_training_exams(
    data_set: DataSet, out: Path, detector: FrameDetector, settings: Settings
) -> list[TrainingExam]:
    """The exams of a data set, from the scans that a batch with these settings keeps under ``out``."""
    seen = _sightings(data_set)
    exams = find_exams(data_set.exams_root).exams
    training_exams = []
    with Store(out) as store:
        reader = ClipReader.prepare(exams, store, settings, detector, force=False, on_event=_nobody)
        for exam in exams:
            scans = [reader.read(clip, exam)[0] for clip in exam.clips]
            training_exams.append(_lesson(exam, scans, data_set.animals[exam.animal], seen))
    return training_exams


def _nobody(event: BatchEvent) -> None:
    pass


@dataclass(frozen=True)
class _Sighting:
    """identity : of the object;  ellipse : (5,) px"""

    identity: int
    shelled: bool
    ellipse: NDArray[np.float64]
    depth_mm: float


# By animal and clip, then by frame.
_Seen = Mapping[tuple[str, str], Mapping[int, Sequence[_Sighting]]]


def _sightings(data_set: DataSet) -> _Seen:
    objects = data_set.objects
    seen: dict[tuple[str, str], dict[int, list[_Sighting]]] = defaultdict(lambda: defaultdict(list))
    for row, place in enumerate(objects.frame.tolist()):
        animal, clip, frame = data_set.frames.ids[place]
        seen[animal, clip][frame].append(
            _Sighting(
                int(objects.object_id[row]),
                bool(objects.is_shelled[row]),
                objects.ellipses[row],
                float(objects.depth_mm[row]),
            )
        )
    return seen


def _lesson(exam: Exam, scans: Sequence[ClipScan], animal: Mapping[str, Any], seen: _Seen) -> TrainingExam:
    track_labels: dict[tuple[str, int], bool | None] = {}
    objects: list[CrossedObject] = []
    followed: set[int | None] = set()
    met = {one["id"] for one in animal["objects"] if one["seen"]}
    for scan in scans:
        frames = seen.get((exam.animal, scan.file), {})
        kinds = {one.identity: one.shelled for shown in frames.values() for one in shown}
        shown_by = {track.identity: _owner(track, frames) for track in scan.tracks.tracks}
        followed |= set(shown_by.values())
        for track, owner in shown_by.items():
            track_labels[scan.file, track] = kinds[owner] if owner is not None and owner in met else None
        if scan.status == "done":
            crossed_here = set(animal["clips"][scan.file]["seen_ids"])
            objects += _objects(scan, frames, crossed_here, set(shown_by.values()))
    crossed = animal["seen"]
    missed = [one["stage"] != "follicle" for one in animal["objects"] if one["seen"] and one["id"] not in followed]
    return TrainingExam(
        exam=exam,
        clips=tuple(scan.tracks for scan in scans if scan.status == "done"),
        coverage=tuple(
            ClipCoverage(
                scan.file,
                scan.window,
                scan.status,
                scan.reason,
                scan.frames,
                len(scan.used_frames),
                quality=scan.quality,
            )
            for scan in scans
        ),
        track_labels=track_labels,
        objects=tuple(objects),
        crossed_counts=(crossed["thin-shelled"] + crossed["calcified"], crossed["follicle"]),
        missed_counts=(sum(missed), len(missed) - sum(missed)),
    )


def _owner(track: Track, frames: Mapping[int, Sequence[_Sighting]]) -> int | None:
    """The object that most of the track's sightings show, None where most show nothing."""
    votes: Counter[int | None] = Counter()
    for frame, ellipse in zip(track.frames.tolist(), track.ellipses, strict=True):
        shown = frames.get(frame, ())
        shares = overlap(ellipse[None], np.stack([one.ellipse for one in shown]))[0] if shown else np.zeros(1)
        best = int(shares.argmax())
        votes[shown[best].identity if shares[best] > _OVERLAP else None] += 1
    return votes.most_common(1)[0][0]


def _objects(
    scan: ClipScan, frames: Mapping[int, Sequence[_Sighting]], crossed: set[int], found: set[int | None]
) -> Iterator[CrossedObject]:
    if scan.mm_per_px is None or scan.imaging_depth_px is None:
        return
    views: dict[int, list[_Sighting]] = defaultdict(list)
    for shown in frames.values():
        for one in shown:
            views[one.identity].append(one)
    for identity in sorted(crossed & set(views)):
        sizes = [float(np.sqrt(one.ellipse[2] * one.ellipse[3])) for one in views[identity]]
        largest = views[identity][int(np.argmax(sizes))]
        depth = largest.depth_mm / scan.mm_per_px / scan.imaging_depth_px
        yield CrossedObject(largest.shelled, identity in found, max(sizes) / scan.imaging_depth_px, depth)
