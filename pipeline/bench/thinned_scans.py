"""One clip scanned as if it had been filmed at several frame rates, with each frame detected once.

A thinned clip is a clip of its own: its frames are numbered anew, and quality, sector, tracks and turns are found from
what it contains. Only the detections are shared, as they depend on one picture at a time. They are those of the sector
of the first scan; where a thinned clip gives a slightly different sector, that changes next to nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice

from pipeline.detect.detector import Detections, FrameDetector, ModelInfo
from pipeline.exams.exam import ExamClip
from pipeline.ingest.clip import Recording, open_clip
from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import ClipError, Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.clip_scan import ClipScan, refused_scan, scan_recording
from pipeline.settings import Settings

__all__ = ["ThinnedRecording", "scan_thinned"]


def scan_thinned(
    clip: ExamClip, detector: FrameDetector, settings: Settings, strides: Sequence[int]
) -> dict[int, ClipScan]:
    """The scan of every n-th frame, for each n in ``strides``."""
    if clip.refusal is not None:
        return {stride: refused_scan(clip, "", clip.refusal) for stride in strides}
    known: dict[int, Detections] = {}
    scans = {}
    # The smallest first: its frames are not only new to the detector, but also come in full batches.
    for stride in sorted(strides):
        try:
            with open_clip(clip.path, settings.ingest) as recording:
                thinned = ThinnedRecording(recording, stride)
                scans[stride] = scan_recording(clip, "", thinned, _DetectOnce(detector, known, stride), settings)
        except ClipError as error:
            scans[stride] = refused_scan(clip, "", str(error))
    return {stride: scans[stride] for stride in strides}


class ThinnedRecording:
    """Every n-th frame of a recording, from the first one on, numbered from 0 without gaps."""

    def __init__(self, recording: Recording, stride: int) -> None:
        self._recording = recording
        self._stride = stride

    def __iter__(self) -> Iterator[Frame]:
        for frame in islice(self._recording, 0, None, self._stride):
            yield replace(frame, index=frame.index // self._stride)

    @property
    def width(self) -> int:
        return self._recording.width

    @property
    def height(self) -> int:
        return self._recording.height

    @property
    def frame_rate(self) -> float | None:
        rate = self._recording.frame_rate
        return None if rate is None else rate / self._stride

    @property
    def calibration(self) -> RegionCalibration:
        return self._recording.calibration

    @property
    def reason(self) -> str | None:
        return self._recording.reason


class _DetectOnce:
    """A detector for a thinned recording that asks another one only for frames that are new.

    known : detections by the frame's number in the whole recording; new ones are added
    """

    def __init__(self, detector: FrameDetector, known: dict[int, Detections], stride: int) -> None:
        self._detector = detector
        self._known = known
        self._stride = stride

    @property
    def model(self) -> ModelInfo:
        return self._detector.model

    @property
    def engine_name(self) -> str:
        return self._detector.engine_name

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        numbers = [frame.index * self._stride for frame in frames]
        new = [frame for frame, number in zip(frames, numbers, strict=True) if number not in self._known]
        for detections in self._detector.detect(new, sector):
            self._known[detections.frame * self._stride] = detections
        return [replace(self._known[number], frame=frame.index) for frame, number in zip(frames, numbers, strict=True)]
