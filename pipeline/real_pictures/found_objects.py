"""What the pipeline finds in one recording, read as an exam of its own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.evaluation_thresholds import SCORE_THRESHOLD
from models.stages import STAGES
from pipeline.detect.detector import FrameDetector
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.results import Count
from pipeline.exams.exam import Exam, ExamClip
from pipeline.ingest.clip import Recording
from pipeline.ingest.file_types import is_recording
from pipeline.ingest.frame import ClipError
from pipeline.report.export.object_scores import object_scores
from pipeline.scan.clip_scan import ClipScan, refused_scan, scan_clip, scan_recording
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import Settings

__all__ = ["FoundObjects", "ObjectFinder", "recordings_under"]

_FOLLICLE = STAGES.index("follicle")
_DATE = dt.date(2000, 1, 1)  # no estimate depends on it


@dataclass(frozen=True)
class FoundObjects:
    """The detections of one recording from the score on that all tables use, and what was counted.

    refusal : why it could not be used, else None;  frames : (F,) numbers of the used ones
    frame : (D,) of each detection;  ellipses : (D, 5) px;  is_shelled : (D,) bool, else a follicle
    shelled, follicles : the counts
    """

    name: str
    refusal: str | None
    frames: NDArray[np.int64]
    frame: NDArray[np.int64]
    ellipses: NDArray[np.float64]
    is_shelled: NDArray[np.bool_]
    shelled: Count
    follicles: Count


class ObjectFinder:
    """Reads recordings with a detector and settings, one after the other."""

    def __init__(self, detector: FrameDetector, settings: Settings) -> None:
        self._detector, self._settings = detector, settings

    def in_file(self, path: Path) -> FoundObjects:
        """What is in a clip, a picture or a folder of pictures; one that cannot be read is refused, with the reason."""
        return self._found(scan_clip(_clip(path), "", self._detector, self._settings))

    def in_recording(self, name: str, recording: Recording) -> FoundObjects:
        """What is in frames that are open already."""
        clip = _clip(Path(name))
        try:
            scan = scan_recording(clip, "", recording, self._detector, self._settings)
        except ClipError as error:
            scan = refused_scan(clip, "", str(error))
        return self._found(scan)

    def _found(self, scan: ClipScan) -> FoundObjects:
        exam = Exam(Path(scan.file), scan.file, _DATE, None, None, None, None, passed_before=0, clips=())
        clips = [scan.tracks] if scan.status == "done" else []
        finding = estimate_exam(exam, clips, [clip_coverage(scan)], self._settings)
        # The scores are those that a batch exports.
        objects = object_scores(finding, scan)
        confident = objects.score >= SCORE_THRESHOLD
        return FoundObjects(
            name=scan.file,
            refusal=scan.reason if scan.status == "refused" else None,
            frames=scan.used_frames,
            frame=scan.frame[confident],
            ellipses=scan.ellipse[confident],
            is_shelled=objects.stage[confident] != _FOLLICLE,
            shelled=finding.shelled,
            follicles=finding.follicles,
        )


def recordings_under(folder: Path, *, without: Sequence[Path] = ()) -> list[Path]:
    """All files with a clip or a picture under a folder, sorted. without : folders to leave out"""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and is_recording(path)]
    return [path for path in files if not any(path.is_relative_to(each) for each in without)]


def _clip(path: Path) -> ExamClip:
    return ExamClip(path, path.name, None, None, None)
