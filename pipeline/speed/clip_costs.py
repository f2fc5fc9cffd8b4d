"""What each stage of reading one clip costs, in processor time a frame, beside bare decoding of the same clip."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import av
import cv2

from pipeline.detect.detector import FrameDetector
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.exams.exam import Exam, ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.report.exam_files import EstimatedExam, exam_files
from pipeline.report.export.result import ModelIdentity
from pipeline.report.output_files import replace_exam_files
from pipeline.scan.clip_scan import scan_clip
from pipeline.scan.coverage import clip_coverage
from pipeline.scan.serialization import pack_scan
from pipeline.settings import Settings
from pipeline.speed.stage_clock import StageClock
from pipeline.worker.worker import PRELOADED_MODULES

__all__ = ["USUAL_FRAME_RATE", "ClipCosts", "measure_clip"]

# The functions of each stage, in the order of the table. What none of them does is counted as "everything else".
STAGES: Mapping[str, Sequence[str]] = {
    "decoding, brightness and colour": ("pipeline.ingest.clip:Clip.__next__",),
    "search for the sector (once)": ("pipeline.scan.clip_scan:UsableFrames",),
    "quality": ("pipeline.ingest.quality.frame_quality:FrameQualityAssessor.assess",),
    "thumbnails": ("pipeline.track.thumbnails:Thumbnails.add_frame",),
    "network": (  # and threads of its own
        "models.openvino_engine:OpenVinoEngine.run",
        "models.torch_engine:TorchEngine.run",
        "models.gpu_engine:GpuEngine.run",
    ),
    "input and outlines of the network": ("pipeline.detect.detector:Detector.detect",),
    "following": ("pipeline.track.tracker:ClipTracker.update", "pipeline.track.tracker:ClipTracker.finish"),
    "shell signs": ("pipeline.scan.track_signs:TrackSigns.add_frame", "pipeline.scan.track_signs:TrackSigns.finish"),
    "best pictures": (
        "pipeline.scan.best_frames:BestFrames.add_frame",
        "pipeline.scan.best_frames:BestFrames.finish",
    ),
    "course of the hand (at the end)": ("pipeline.scan.probe_motion:ProbeMotionEstimator.finish",),
    "counting (at the end)": ("pipeline.speed.clip_costs:estimate_exam",),
    "writing (at the end)": (
        "pipeline.speed.clip_costs:exam_files",
        "pipeline.speed.clip_costs:replace_exam_files",
        "pipeline.speed.clip_costs:pack_scan",
    ),
}
EXAM_DATE = dt.date(2026, 5, 14)
USUAL_FRAME_RATE = 25.0  # where a clip states none; also that of phantoms
BARE, NETWORK, REST = "bare decoding", "network", "everything else"
DECODING = "decoding, brightness and colour"


@dataclass(frozen=True)
class ClipCosts:
    """frames : of the clip;  frame_rate : per second;  engine : of the network, on one thread

    ms_per_frame : processor time of each stage
    bare_ms_per_frame : of decoding alone, in the same run
    """

    frames: int
    frame_rate: float
    engine: str
    ms_per_frame: Mapping[str, float]
    bare_ms_per_frame: float

    @property
    def all_ms(self) -> float:
        """Of all stages together, a frame."""
        return sum(self.ms_per_frame.values())

    @property
    def network_ms(self) -> float:
        """Of the network alone, a frame."""
        return self.ms_per_frame[NETWORK]

    @property
    def own_ms(self) -> float:
        """Of everything but network and decoding, a frame."""
        return self.all_ms - self.network_ms - self.ms_per_frame[DECODING]

    def document(self) -> dict[str, Any]:
        return {**asdict(self), "all_ms_per_frame": self.all_ms, "own_ms_per_frame": self.own_ms}

    def table(self) -> str:
        """A line for each stage."""
        lines = [f"{self.frames:,} frames, {self.engine}: ms of one processor a frame"]
        stages = {BARE: self.bare_ms_per_frame, **self.ms_per_frame, "all stages": self.all_ms}
        stages["all but network and decoding"] = self.own_ms
        lines += [f"{stage:<34}{ms:8.2f}" for stage, ms in stages.items()]
        times = self.all_ms / self.bare_ms_per_frame
        real_time = 1e3 / (self.all_ms * self.frame_rate)
        lines.append(f"{times:.1f} times bare decoding; {real_time:.1f} times real time for each processor")
        return "\n".join(lines)


def measure_clip(path: Path, detector: FrameDetector, settings: Settings) -> ClipCosts:
    """Read a clip as an exam of its own, and write the files of the exam into a folder that is removed.

    detector : on one thread

    Raises ClipError if the clip cannot be used.
    """
    clip = ExamClip(path, path.name, "left", None, None)
    exam = Exam(path.parent, "AF-0001", EXAM_DATE, None, None, None, None, 0, (clip,))
    for module in PRELOADED_MODULES:  # as in a worker
        import_module(module)
    clock, library_threads = StageClock(), cv2.getNumThreads()
    cv2.setNumThreads(1)  # as in a worker; the clock sees no threads of libraries
    try:
        with TemporaryDirectory() as out, clock.watching(STAGES):
            start_s, start_of_thread_s = time.process_time(), time.thread_time()
            scan = scan_clip(clip, "", detector, settings)
            if scan.status == "refused":
                raise ClipError(f"{path.name}: {scan.reason}")
            pack_scan(scan)
            finding = estimate_exam(exam, [scan.tracks], [clip_coverage(scan)], settings)
            model = ModelIdentity(detector.model.name, detector.model.sha256)
            replace_exam_files(Path(out), exam_files(EstimatedExam(exam, finding, [scan], model, "")))
            spent_s, of_thread_s = time.process_time() - start_s, time.thread_time() - start_of_thread_s
        bare_s = _decode(path)
    finally:
        cv2.setNumThreads(library_threads)
    seconds = {stage: clock.seconds[stage] for stage in STAGES}
    # What no thread of Python spent, the network's own threads did.
    seconds[NETWORK] = spent_s - of_thread_s - seconds["input and outlines of the network"]
    seconds[REST] = spent_s - sum(seconds.values())
    return ClipCosts(
        frames=scan.frames,
        frame_rate=scan.frame_rate or USUAL_FRAME_RATE,
        engine=detector.engine_name,
        ms_per_frame={stage: 1e3 * s / scan.frames for stage, s in seconds.items()},
        bare_ms_per_frame=1e3 * bare_s / scan.frames,
    )


def _decode(path: Path) -> float:
    """Processor seconds that decoding every picture takes, on one thread, without looking at any."""
    start_s = time.process_time()
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for _ in container.decode(stream):
            pass
    return time.process_time() - start_s
