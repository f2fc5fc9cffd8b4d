"""The scans of whole exams for measuring and learning, without any result being written."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.clip_worker import ClipWorker, DetectorLoader
from pipeline.batch.run_context import RunContext
from pipeline.exams.exam_search import Exam
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
    with hold_lock(out), Store(out) as store, ClipWorker(load_detector, settings) as worker:
        reader = ClipReader.prepare(exams, RunContext(store, settings, worker))
        for exam in exams:
            yield exam, [reader.read(clip, exam)[0] for clip in exam.clips]
