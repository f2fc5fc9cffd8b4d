"""Clips are read and exams estimated in worker processes: none can end a run, fill the memory or take for ever."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from importlib import metadata
from types import TracebackType

from pipeline.batch.exam_job import ExamJob, ExamResult, process_exam
from pipeline.detect.detector import FrameDetector, ModelInfo
from pipeline.exams.exam import ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256, file_state, pictures_sha256
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.scan.clip_scan import scan_clip
from pipeline.scan.packed_scan import PackedScan
from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress
from pipeline.worker.job_pool import OpenPool, Preparation, UnsuitableProcessError, run_at_once
from pipeline.worker.pool import open_worker_pool

__all__ = ["BatchWorkers", "DetectorLoader", "DigestEnd", "ExamEnd", "OtherFileError", "ScanEnd"]

DetectorLoader = Callable[[], FrameDetector]
"""Loads the detector in each worker. It is sent there by pickle: a function or class at the top of a module, or a
``functools.partial`` of one."""

ScanEnd = Callable[["Future[PackedScan]"], None]
"""Called when a clip was read, in `BatchWorkers.wait`."""

ExamEnd = Callable[["Future[ExamResult]"], None]
"""Called when an exam was estimated, in `BatchWorkers.wait`."""

DigestEnd = Callable[["Future[str | None]"], None]
"""Called when a digest was computed, in `BatchWorkers.wait`."""

# They decide what is read of a file and what comes of it.
LIBRARIES = ("clutchlight", "av", "numpy", "opencv-python-headless", "pillow", "pydicom", "scipy")


class OtherFileError(UnsuitableProcessError):
    """A process does not find the file that it is to read: it has changed, or the process is on a machine that does
    not reach the recordings."""

    def __init__(self, path: Location, state: FileState) -> None:
        """state : that it should have"""
        super().__init__(f"it does not find {path}, or finds another file there")
        self.path = path
        self.state = state

    def __reduce__(self) -> tuple[type[OtherFileError], tuple[Location, FileState]]:
        return OtherFileError, (self.path, self.state)

    def is_so_here(self) -> bool:
        return not _is_there(self.path, self.state)


class BatchWorkers:
    """Other processes that read clips, estimate exams and compute digests, side by side.

    Each has the detector and does one job after the other. Use it in a ``with`` statement.

    model, engine_name : of the detector, as in `FrameDetector`

    Where a recording kills its process or goes beyond the limits of the settings, JobKilledError is raised, and a new
    process reads the next one. Where the process does not find the same file, that is OtherFileError; where its
    machines were lost, JobLostError.
    """

    def __init__(
        self, load_detector: DetectorLoader, settings: Settings, clips: int, open_pool: OpenPool = open_worker_pool
    ) -> None:
        """clips : to be read at most;  open_pool : where they are read

        Raises what ``load_detector`` raises, WorkerError if a process cannot be started, and PoolLostError.
        """
        self._pool = open_pool(Preparation(partial(_prepare, load_detector, settings), _describe), settings, clips)
        description: _Description = self._pool.description
        self.model, self.engine_name = description.model, description.engine_name

    def __enter__(self) -> BatchWorkers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.close()

    @property
    def size(self) -> int:
        """How many jobs are done side by side now."""
        return self._pool.size

    @property
    def peak_memory_mib(self) -> int:
        """The most resident memory that any process held."""
        return self._pool.peak_memory_mib

    @property
    def processor_s(self) -> float:
        """Processor time of all processes, up to the last clip that each of them read."""
        return self._pool.processor_s

    def scan(
        self,
        clip: ExamClip,
        state: FileState,
        sha256: str,
        on_start: Callable[[], None],
        on_progress: Progress,
        on_end: ScanEnd,
    ) -> None:
        """Begin `pipeline.scan.clip_scan.scan_clip` with this detector and these settings when a process is free.

        state : of the recording, as it must be when it is read

        The functions are called in `wait`.
        """
        self._pool.submit(_scan, clip, state, sha256, on_start=on_start, on_progress=on_progress, on_end=on_end)

    def process(self, job: ExamJob, on_end: ExamEnd) -> None:
        """Begin `pipeline.batch.exam_job.process_exam` with these settings, before all clips that wait."""
        self._pool.submit(_process, job, on_end=on_end, at_once=True)

    def wait(self, is_over: Callable[[], bool]) -> None:
        """Let the processes work until ``is_over``, which the end of a clip or an exam must bring about."""
        self._pool.wait(is_over)

    def file_sha256(self, path: Location, state: FileState, on_end: DigestEnd) -> None:
        """Begin `pipeline.ingest.recording_identity.file_sha256`, before all clips that wait."""
        self._pool.submit(_file_sha256, path, state, on_end=on_end, at_once=True)

    def first_picture_sha256(self, path: Location, state: FileState, on_end: DigestEnd) -> None:
        """Begin `pipeline.ingest.recording_identity.pictures_sha256` of one picture, before all clips that wait."""
        self._pool.submit(_pictures_sha256, path, state, 1, on_end=on_end, at_once=True)

    def pictures_sha256(self, path: Location, state: FileState) -> str | None:
        """`pipeline.ingest.recording_identity.pictures_sha256` of all pictures."""
        sha256: str | None = run_at_once(self._pool, _pictures_sha256, path, state, None)
        return sha256


@dataclass(frozen=True)
class _Prepared:
    """What a process keeps."""

    detector: FrameDetector
    settings: Settings


@dataclass(frozen=True)
class _Description:
    """What decides a scan beside the recording and the settings. versions : of the `LIBRARIES` that are installed"""

    model: ModelInfo
    engine_name: str
    versions: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        network = f"{self.model.name} ({self.model.sha256[:8]}) on {self.engine_name}"
        return ", ".join([network, *map(" ".join, self.versions)])


def _prepare(load_detector: DetectorLoader, settings: Settings) -> _Prepared:
    return _Prepared(load_detector(), settings)


def _describe(prepared: _Prepared, progress: Progress) -> _Description:
    versions = []
    for library in LIBRARIES:
        with suppress(metadata.PackageNotFoundError):
            versions.append((library, metadata.version(library)))
    return _Description(prepared.detector.model, prepared.detector.engine_name, tuple(versions))


def _scan(prepared: _Prepared, progress: Progress, clip: ExamClip, state: FileState, sha256: str) -> PackedScan:
    _check_file(clip.path, state)
    return PackedScan.of(scan_clip(clip, sha256, prepared.detector, prepared.settings, progress), clip)


def _process(prepared: _Prepared, progress: Progress, job: ExamJob) -> ExamResult:
    for path, state in job.dicom.items():
        _check_file(path, state)
    return process_exam(job, prepared.settings, progress)


def _file_sha256(prepared: _Prepared, progress: Progress, path: Location, state: FileState) -> str:
    _check_file(path, state)
    return file_sha256(path, progress)


def _pictures_sha256(
    prepared: _Prepared, progress: Progress, path: Location, state: FileState, max_packets: int | None
) -> str | None:
    _check_file(path, state)
    return pictures_sha256(path, prepared.settings.ingest, max_packets)


def _check_file(path: Location, state: FileState) -> None:
    """Raises OtherFileError unless the file is there."""
    if not _is_there(path, state):
        raise OtherFileError(path, state)


def _is_there(path: Location, state: FileState) -> bool:
    """Whether there is a file of that size and tag. Times may differ by how a drive is connected."""
    try:
        found = file_state(path)
    except ClipError:
        return False
    return (found.size_bytes, found.etag) == (state.size_bytes, state.etag)
