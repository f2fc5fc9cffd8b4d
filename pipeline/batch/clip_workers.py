"""Clips are read in worker processes, so that none of them can end a run, fill the memory or take for ever."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future
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
from pipeline.worker.library_threads import use_threads
from pipeline.worker.limits import clip_limits
from pipeline.worker.pool import WorkerPool

__all__ = ["ClipWorkers", "DetectorLoader", "ScanEnd"]

DetectorLoader = Callable[[], FrameDetector]
"""Loads the detector in each worker. It is sent there by pickle: a function or class at the top of a module, or a
``functools.partial`` of one."""

ScanEnd = Callable[["Future[ClipScan]"], None]
"""Called when a clip was read, in `ClipWorkers.wait`."""


class ClipWorkers:
    """Reads clips in other processes, side by side. Each has the detector and is used for one clip after the other.
    Use it in a ``with`` statement.

    model, engine_name : of the detector, as in `FrameDetector`

    Where a recording kills its process or goes beyond the limits of the settings, JobKilledError is raised, and a new
    process reads the next one.
    """

    def __init__(self, load_detector: DetectorLoader, settings: Settings, clips: int) -> None:
        """clips : to be read at most; there are no more processes than that

        Raises what ``load_detector`` raises, and WorkerError if a process cannot be started.
        """
        cores = len(os.sched_getaffinity(0))
        processes = max(1, min(settings.run.processes or cores, clips))
        prepare = partial(_prepare, load_detector, settings, max(1, cores // processes))
        self._pool = WorkerPool(prepare, clip_limits(settings.run), processes)
        try:
            detector: tuple[ModelInfo, str] = self._pool.run(_describe_detector)
        except BaseException:
            self._pool.close()
            raise
        self.model, self.engine_name = detector

    def __enter__(self) -> ClipWorkers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.close()

    @property
    def peak_memory_mib(self) -> int:
        """The most resident memory that any process held."""
        return self._pool.peak_memory_mib

    @property
    def processor_s(self) -> float:
        """Processor time of all processes, up to the last clip that each of them read."""
        return self._pool.processor_s

    def scan(
        self, clip: ExamClip, sha256: str, on_start: Callable[[], None], on_progress: Progress, on_end: ScanEnd
    ) -> None:
        """Begin `pipeline.scan.clip_scan.scan_clip` with this detector and these settings when a process is free.

        The functions are called in `wait`.
        """
        self._pool.submit(_scan, clip, sha256, on_start=on_start, on_progress=on_progress, on_end=on_end)

    def wait(self, is_over: Callable[[], bool]) -> None:
        """Let clips be read until ``is_over``, which the end of a clip must bring about."""
        self._pool.wait(is_over)

    def pictures_sha256(self, path: Path, max_packets: int | None = None) -> str | None:
        """`pipeline.ingest.recording_identity.pictures_sha256`."""
        sha256: str | None = self._pool.run(_pictures_sha256, path, max_packets)
        return sha256


@dataclass(frozen=True)
class _Prepared:
    """What a process keeps."""

    detector: FrameDetector
    settings: Settings


def _prepare(load_detector: DetectorLoader, settings: Settings, threads: int) -> _Prepared:
    use_threads(threads)
    return _Prepared(load_detector(), settings)


def _describe_detector(prepared: _Prepared, progress: Progress) -> tuple[ModelInfo, str]:
    return prepared.detector.model, prepared.detector.engine_name


def _scan(prepared: _Prepared, progress: Progress, clip: ExamClip, sha256: str) -> ClipScan:
    return scan_clip(clip, sha256, prepared.detector, prepared.settings, progress)


def _pictures_sha256(prepared: _Prepared, progress: Progress, path: Path, max_packets: int | None) -> str | None:
    return pictures_sha256(path, prepared.settings.ingest, max_packets)
