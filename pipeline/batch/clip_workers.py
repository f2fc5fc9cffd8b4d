"""Clips are read in a worker process, so that none of them can end a run, fill the memory or take for ever."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import TracebackType

from pipeline.detect.detector import FrameDetector, ModelInfo
from pipeline.exams.exam_search import ExamClip
from pipeline.ingest.recording_identity import pictures_sha256
from pipeline.scan.clip_scan import ClipScan, scan_clip
from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress
from pipeline.worker.limits import clip_limits
from pipeline.worker.worker import Worker

__all__ = ["ClipWorker", "DetectorLoader"]

DetectorLoader = Callable[[], FrameDetector]
"""Loads the detector in the worker. It is sent there by pickle: a function or class at the top of a module, or a
``functools.partial`` of one."""


class ClipWorker:
    """Reads clips in another process, which has the detector and is used for all of them. Use it in a ``with``
    statement.

    model, engine_name : of the detector, as in `FrameDetector`

    Every method raises JobKilledError where a recording kills the process or goes beyond the limits of the settings.
    A new process then reads the next one.
    """

    def __init__(self, load_detector: DetectorLoader, settings: Settings) -> None:
        """Raises what ``load_detector`` raises, and WorkerError if the process cannot be started."""
        self._worker = Worker(partial(_prepare, load_detector, settings), clip_limits(settings.run))
        try:
            detector: tuple[ModelInfo, str] = self._worker.run(_describe_detector)
        except BaseException:
            self._worker.close()
            raise
        self.model, self.engine_name = detector

    def __enter__(self) -> ClipWorker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._worker.close()

    def scan(self, clip: ExamClip, sha256: str, progress: Progress) -> ClipScan:
        """`pipeline.scan.clip_scan.scan_clip` with this detector and these settings."""
        scan: ClipScan = self._worker.run(_scan, clip, sha256, progress=progress)
        return scan

    def pictures_sha256(self, path: Path, max_packets: int | None = None) -> str | None:
        """`pipeline.ingest.recording_identity.pictures_sha256`."""
        sha256: str | None = self._worker.run(_pictures_sha256, path, max_packets)
        return sha256


@dataclass(frozen=True)
class _Prepared:
    """What the process keeps."""

    detector: FrameDetector
    settings: Settings


def _prepare(load_detector: DetectorLoader, settings: Settings) -> _Prepared:
    return _Prepared(load_detector(), settings)


def _describe_detector(prepared: _Prepared, progress: Progress) -> tuple[ModelInfo, str]:
    return prepared.detector.model, prepared.detector.engine_name


def _scan(prepared: _Prepared, progress: Progress, clip: ExamClip, sha256: str) -> ClipScan:
    return scan_clip(clip, sha256, prepared.detector, prepared.settings, progress)


def _pictures_sha256(prepared: _Prepared, progress: Progress, path: Path, max_packets: int | None) -> str | None:
    return pictures_sha256(path, prepared.settings.ingest, max_packets)
