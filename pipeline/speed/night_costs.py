"""What whole batches cost, and how that grows with the number of clips and their length."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pipeline.batch.events import BatchEvent, ClipEnded, ClipsRead, FramesRead
from pipeline.batch.run import run_batch
from pipeline.batch.workers import DetectorLoader
from pipeline.ingest.frame import ClipError
from pipeline.night.growth_plot import logarithmic_plots_svg
from pipeline.settings import Settings

__all__ = ["NightCosts", "cluster_table", "measure_night", "nights_svg"]

CORES = (10, 100, 1_000)


@dataclass(frozen=True)
class NightCosts:
    """clips, frames : that were read;  seconds : on the clock, from the search for exams to the index

    processor_s : of the program and its workers, without the start of either
    own_s : of that, what the program does itself, one after the other: it stores scans and results, and writes files
    worker_mib : the most resident memory that any worker held
    cores : that the program may use
    reading_s : on the clock, from the first frame that was read to the end of the last clip
    network_frames_per_second : as in the settings
    """

    clips: int
    frames: int
    seconds: float
    processor_s: float
    own_s: float
    worker_mib: int
    cores: int = 1
    reading_s: float = 0.0
    network_frames_per_second: float = 0.0

    @property
    def ms_per_frame(self) -> float:
        """Processor time."""
        return 1e3 * self.processor_s / max(self.frames, 1)

    @property
    def cores_used(self) -> float:
        """On average. Other programs on the computer leave fewer."""
        return self.processor_s / self.seconds

    def document(self) -> dict[str, Any]:
        return {**asdict(self), "ms_per_frame": self.ms_per_frame, "cores_used": self.cores_used}


def measure_night(root: Path, load_detector: DetectorLoader, settings: Settings) -> NightCosts:
    """Run a batch on the exams under ``root``. Its results are not kept. Raises ClipError if one cannot be used."""
    clips, frames, workers = 0, 0, ClipsRead(0.0, 0)
    first_s, last_s = 0.0, 0.0

    def note(event: BatchEvent) -> None:
        nonlocal clips, frames, workers, first_s, last_s
        if isinstance(event, FramesRead):
            first_s = first_s or time.perf_counter()
            frames += event.frames
        elif isinstance(event, ClipEnded):
            clips, last_s = clips + 1, time.perf_counter()
        elif isinstance(event, ClipsRead):
            workers = event

    with TemporaryDirectory() as out:
        start, start_processor_s, start_own_s = time.perf_counter(), time.process_time(), time.thread_time()
        report = run_batch(root, Path(out), settings, load_detector, on_event=note)
        # Further threads watch the workers, where these are.
        seconds, own_s = time.perf_counter() - start, time.thread_time() - start_own_s
        processor_s = time.process_time() - start_processor_s + workers.processor_s
    for exam in report.exams:
        for reason in (exam.reason, *(clip.reason for clip in exam.clips)):
            if reason is not None:  # the costs of a night with refused clips would mean nothing
                raise ClipError(f"{exam.animal}: {reason}")
    return NightCosts(
        clips=clips,
        frames=frames,
        seconds=seconds,
        processor_s=processor_s,
        own_s=own_s,
        worker_mib=workers.peak_memory_mib,
        cores=len(os.sched_getaffinity(0)),
        reading_s=last_s - first_s,
        network_frames_per_second=settings.detect.network_frames_per_second,
    )


def cluster_table(nights: Sequence[NightCosts], clip_hours: float, frame_rate: float) -> str:
    """What a night of so many hours of clips like those of ``nights`` would take on many cores, a line for each number.

    A calculation: reading, counting and the making of sheets are shared by all cores and lose nothing; what the program
    does itself is done by one core, at the same time. Of nights with different numbers of frames, the costs are those
    by which the longest exceeds the shortest, so what every night costs is left out. frame_rate : of the clips, per
    second
    """
    shortest, longest = (choose(nights, key=lambda night: night.frames) for choose in (min, max))
    frames, own_s, processor_s = longest.frames, longest.own_s, longest.processor_s
    if shortest.frames < frames:
        frames -= shortest.frames
        own_s, processor_s = max(0.0, own_s - shortest.own_s), max(0.0, processor_s - shortest.processor_s)
    own_h, processor_h = (clip_hours * frame_rate * s / frames for s in (own_s, processor_s))
    lines = ["cores   reading, counting and sheets, h   storing and writing, h   night, h"]
    for cores in CORES:
        shared_h = (processor_h - own_h) / cores
        lines.append(f"{cores:>5,}{shared_h:>34,.2f}{own_h:>25,.2f}{max(shared_h, own_h):>11,.2f}")
    return "\n".join(lines)


def nights_svg(nights: Sequence[NightCosts]) -> str:
    """Time and memory over the number of frames, one batch or more."""
    ordered = sorted(nights, key=lambda night: night.frames)
    plots = {
        "processor time, s": [night.processor_s for night in ordered],
        "time on the clock, s": [night.seconds for night in ordered],
        "memory of the largest worker, MiB": [float(night.worker_mib) for night in ordered],
    }
    return logarithmic_plots_svg("frames", [night.frames for night in ordered], plots)
