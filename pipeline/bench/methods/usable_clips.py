"""The frames of a data set that a method is given: those that the batch uses, without what is around the sector."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.method import Picture
from pipeline.exams.exam import ExamClip
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.settings_tables import IngestSettings

__all__ = ["UsableClip", "usable_clips"]

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class UsableClip:
    """One clip of a data set. frame_index : index of the data set's frame, by the clip's frame from 0"""

    animal: str
    clip: ExamClip
    frame_index: dict[int, int]

    @contextmanager
    def frames(self, settings: IngestSettings) -> Iterator[Iterator[tuple[int, Picture]]]:
        """Index of the data set's frame and picture of each usable frame: (H, W) uint8, 0 outside the sector.

        A clip that cannot be read has no frame, as for the batch; a warning says so.
        """
        try:
            recording = open_clip(self.clip.path, settings)
        except ClipError as error:
            log.warning("left out: %s", error)
            yield iter(())
            return
        with recording:
            yield self._usable(UsableFrames(recording, recording.calibration, settings, lambda frames: None))

    def _usable(self, usable: UsableFrames) -> Iterator[tuple[int, Picture]]:
        for frame, _ in usable:
            if usable.sector is not None and frame.index in self.frame_index:
                yield self.frame_index[frame.index], frame.grey * usable.sector.mask


def usable_clips(data_set: DataSet) -> list[UsableClip]:
    """All clips of a data set whose recordings are there."""
    frames: dict[tuple[str, str], dict[int, int]] = {}
    for index, (animal, clip, frame) in enumerate(data_set.frames.ids):
        frames.setdefault((animal, clip), {})[frame] = index
    return [
        UsableClip(exam.animal, clip, frames[exam.animal, clip.file])
        for exam in find_exams(data_set.exams_root).exams
        for clip in exam.clips
        if clip.refusal is None and (exam.animal, clip.file) in frames
    ]
