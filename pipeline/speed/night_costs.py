"""What whole batches cost, and how that grows with the number of clips and their length."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pipeline.batch.clip_workers import DetectorLoader
from pipeline.batch.events import BatchEvent, ClipEnded, ClipsRead, FramesRead
from pipeline.batch.run import run_batch
from pipeline.ingest.frame import ClipError
from pipeline.night.growth_plot import logarithmic_plots_svg
from pipeline.settings import Settings

__all__ = ["NightCosts", "cluster_table", "measure_night", "nights_svg"]

CORES = (10, 100, 1_000)


@dataclass(frozen=True)
class NightCosts:
    """clips, frames : that were read;  seconds : on the clock, from the search for exams to the index

    processor_s : of the program and its workers, without the start of either
    own_s : of that, the program's own, which estimates and writes one exam after the other
    worker_mib : the most resident memory that any worker held
    cores : that the program may use
    reading_s : on the clock, from the first frame that was read to the end of the last clip
    network_every_frames : as in the settings
    """

    clips: int
    frames: int
    seconds: float
    processor_s: float
    own_s: float
    worker_mib: int
    cores: int = 1
    reading_s: float = 0.0
    network_every_frames: int = 1

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
        start, start_processor_s = time.perf_counter(), time.process_time()
        report = run_batch(root, Path(out), settings, load_detector, on_event=note)
        seconds, own_s = time.perf_counter() - start, time.process_time() - start_processor_s
    for exam in report.exams:
        for reason in (exam.reason, *(clip.reason for clip in exam.clips)):
            if reason is not None:  # the costs of a night with refused clips would mean nothing
                raise ClipError(f"{exam.animal}: {reason}")
    return NightCosts(
        clips=clips,
        frames=frames,
        seconds=seconds,
        processor_s=own_s + workers.processor_s,
        own_s=own_s,
        worker_mib=workers.peak_memory_mib,
        cores=len(os.sched_getaffinity(0)),
        reading_s=last_s - first_s,
        network_every_frames=settings.detect.network_every_frames,
    )


def cluster_table(night: NightCosts, clip_hours: float, frame_rate: float) -> str:
    """What a night of so many hours of clips like those of ``night`` would take on many cores, a line for each number.

    A calculation: reading is shared by all cores and loses nothing; what the program does itself is done by one core,
    at the same time. frame_rate : of the clips, per second
    """
    own_h, processor_h = (clip_hours * frame_rate * s / night.frames for s in (night.own_s, night.processor_s))
    lines = ["cores   reading, h   sheets, h   night, h"]
    for cores in CORES:
        reading_h = (processor_h - own_h) / cores
        lines.append(f"{cores:>5,}{reading_h:>13,.1f}{own_h:>12,.1f}{max(reading_h, own_h):>11,.1f}")
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
