"""The scans of whole exams for measuring and learning, without any result being written."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.run_context import RunContext
from pipeline.batch.workers import BatchWorkers, DetectorLoader
from pipeline.exams.exam import Exam
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import Settings
from pipeline.store.lock import hold_lock
from pipeline.store.store import Store

__all__ = ["read_exam_scans"]


def read_exam_scans(
    exams: Sequence[Exam],
    out: Path,
    load_detector: DetectorLoader,
    settings: Settings,
) -> Iterator[tuple[Exam, list[ClipScan]]]:
    """Each exam with the scans of its clips: from the store in ``out``, or read now and stored there.

    A batch with the same settings stores the same scans.

    Raises LockedError if a run works in ``out``, StoreError if it cannot be used.
    """
    clips = sum(len(exam.clips) for exam in exams)
    with (
        hold_lock(out, settings.run.database),
        Store(out) as store,
        BatchWorkers(load_detector, settings, clips) as workers,
    ):
        reader = ClipReader.prepare(exams, RunContext(store, settings, workers))
        for exam in exams:
            yield exam, [reader.read(clip, exam)[0].unpack() for clip in exam.clips]
