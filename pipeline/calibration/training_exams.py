"""What the batch found in exams whose ground truth is known, track by track and object by object."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.ellipse import overlap
from pipeline.batch.exam_scans import read_exam_scans
from pipeline.batch.workers import DetectorLoader
from pipeline.bench.animal_truth import AnimalTruth
from pipeline.bench.ground_truth import DataSet, DataSetError
from pipeline.exams.exam import Exam
from pipeline.exams.exam_search import find_exams
from pipeline.scan.clip_scan import ClipScan
from pipeline.scan.coverage import ClipCoverage, clip_coverage
from pipeline.settings import Settings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.tracks import ClipTracks, Track

__all__ = [
    "CrossedObject",
    "TrackLabel",
    "TrainingExam",
    "object_of_track",
    "read_training_exams",
    "true_sections",
]

_SAME_OBJECT_IOU = 0.3  # intersection over union of outlines, above which a sighting shows the object; no source

TrackLabel = Literal["shelled", "follicle", "none"]
"""What a track shows: an object that was crossed in good view, or anything else."""


@dataclass(frozen=True)
class CrossedObject:
    """One object that one clip crossed, by ``animals.json``.

    size, depth : mean semi-axis and depth of its largest section, as shares of the picture's depth
    """

    shelled: bool
    detected: bool
    size: float
    depth: float


@dataclass(frozen=True)
class TrainingExam:
    """One exam.

    track_labels : by clip and track. An object that no sweep crossed in good view counts as "none", as it is not in
    ``crossed_counts`` either
    objects : those that each clip crossed
    crossed_counts : objects that the sweeps crossed;  missed_counts : of these, how many no track shows
    """

    exam: Exam
    clips: tuple[ClipTracks, ...]
    coverage: tuple[ClipCoverage, ...]
    track_labels: Mapping[tuple[str, int], TrackLabel]
    objects: tuple[CrossedObject, ...]
    crossed_counts: ByKind[int]
    missed_counts: ByKind[int]


def read_training_exams(
    data_set: DataSet,
    out: Path,
    load_detector: DetectorLoader,
    settings: Settings,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> list[TrainingExam]:
    """The exams of a data set, from the scans that a batch with the same settings stored under ``out``, or read now.

    progress : called with the exams done and their number
    """
    sections = true_sections(data_set)
    exams = find_exams(data_set.exams_root).exams
    training_exams = []
    for exam, scans in read_exam_scans(exams, out, load_detector, settings):
        training_exams.append(_training_exam(exam, scans, data_set.animals[exam.animal], sections))
        progress(len(training_exams), len(exams))
    return training_exams


@dataclass(frozen=True)
class _TrueSection:
    """One true object in one frame. object_id : within the animal;  ellipse : (5,) px"""

    object_id: int
    shelled: bool
    ellipse: NDArray[np.float64]
    depth_mm: float


_SectionsByFrame = Mapping[int, Sequence[_TrueSection]]
_SectionsByClip = Mapping[tuple[str, str], _SectionsByFrame]  # by animal and clip


def true_sections(data_set: DataSet) -> _SectionsByClip:
    """What each frame of a data set truly shows."""
    objects = data_set.objects
    sections: dict[tuple[str, str], dict[int, list[_TrueSection]]] = defaultdict(lambda: defaultdict(list))
    for row, frame_row in enumerate(objects.frame.tolist()):
        animal, clip, frame = data_set.frames.ids[frame_row]
        sections[animal, clip][frame].append(
            _TrueSection(
                int(objects.object_id[row]),
                bool(objects.is_shelled[row]),
                objects.ellipses[row],
                float(objects.depth_mm[row]),
            )
        )
    return sections


def _training_exam(exam: Exam, scans: Sequence[ClipScan], animal: AnimalTruth, true: _SectionsByClip) -> TrainingExam:
    """Raises DataSetError if the ground truth does not contain which objects were crossed."""
    if animal.objects is None:
        raise _missing(exam, "objects")
    track_labels: dict[tuple[str, int], TrackLabel] = {}
    objects: list[CrossedObject] = []
    found: set[int | None] = set()
    in_good_view = {each.identity for each in animal.objects if each.is_crossed}
    for scan in scans:
        frames = true.get((exam.animal, scan.file), {})
        is_shelled = {section.object_id: section.shelled for sections in frames.values() for section in sections}
        object_of = {track.identity: object_of_track(track, frames) for track in scan.tracks.tracks}
        found |= set(object_of.values())
        for track, object_id in object_of.items():
            if object_id is None or object_id not in in_good_view:
                track_labels[scan.file, track] = "none"
            else:
                track_labels[scan.file, track] = "shelled" if is_shelled[object_id] else "follicle"
        if scan.status == "done":
            clip = animal.clips.get(scan.file)
            if clip is None or clip.crossed_ids is None:
                raise _missing(exam, f"seen_ids of {scan.file}")
            objects += _crossed_objects(scan, frames, set(clip.crossed_ids), set(object_of.values()))
    missed_are_shelled = [each.is_shelled for each in animal.objects if each.is_crossed and each.identity not in found]
    return TrainingExam(
        exam=exam,
        clips=tuple(scan.tracks for scan in scans if scan.status == "done"),
        coverage=tuple(clip_coverage(scan) for scan in scans),
        track_labels=track_labels,
        objects=tuple(objects),
        crossed_counts=ByKind(shelled=animal.crossed.shelled, follicles=animal.crossed.follicles),
        missed_counts=ByKind(shelled=sum(missed_are_shelled), follicles=missed_are_shelled.count(False)),
    )


def _missing(exam: Exam, key: str) -> DataSetError:
    return DataSetError(
        f"animals.json lacks {key} for {exam.animal}, so counts cannot be learned from it. Name a data set written by "
        "clutchlight phantoms."
    )


def object_of_track(track: Track, frames: _SectionsByFrame) -> int | None:
    """The object that most sightings of the track show, None where most show no object."""
    votes: Counter[int | None] = Counter()
    for frame, ellipse in zip(track.frames.tolist(), track.ellipses, strict=True):
        sections = frames.get(frame, ())
        ious = overlap(ellipse[None], np.stack([each.ellipse for each in sections]))[0] if sections else np.zeros(1)
        best = int(ious.argmax())
        votes[sections[best].object_id if ious[best] > _SAME_OBJECT_IOU else None] += 1
    return votes.most_common(1)[0][0]


def _crossed_objects(
    scan: ClipScan, frames: _SectionsByFrame, crossed: set[int], found: set[int | None]
) -> Iterator[CrossedObject]:
    """crossed, found : ids of the objects that the clip crossed in good view, and of those that its tracks show"""
    if scan.mm_per_px is None or scan.imaging_depth_px is None:
        return
    by_object: dict[int, list[_TrueSection]] = defaultdict(list)
    for sections in frames.values():
        for section in sections:
            by_object[section.object_id].append(section)
    for object_id in sorted(crossed & set(by_object)):
        sizes_px = [float(np.sqrt(section.ellipse[2] * section.ellipse[3])) for section in by_object[object_id]]
        largest = by_object[object_id][int(np.argmax(sizes_px))]
        depth = largest.depth_mm / scan.mm_per_px / scan.imaging_depth_px
        yield CrossedObject(largest.shelled, object_id in found, max(sizes_px) / scan.imaging_depth_px, depth)
