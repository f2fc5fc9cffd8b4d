"""When each frame of a DICOM recording was taken, and the frame rate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate

from pipeline.ingest.dicom.header import DicomHeader

__all__ = ["FrameTimes", "read_frame_times"]

MAX_INTERVAL_MS, MIN_INTERVAL_MS = 60_000.0, 1.0  # from one frame to the next (common practice, no source)


@dataclass(frozen=True)
class FrameTimes:
    """frame_rate : mean frames per second; None for a single picture and where the header does not state it

    time_s_at : from a frame's index to its time in s since the first frame, None if unknown
    """

    frame_rate: float | None
    time_s_at: Callable[[int], float | None]


def read_frame_times(header: DicomHeader) -> FrameTimes:
    """The times of the header's frames (PS3.3 C.7.6.5).

    Used in this order: the Frame Time Vector (0018,1065), whose steps are in ms and whose first step belongs to the
    first frame; Frame Time (0018,1063), in ms; Cine Rate (0018,0040), per second. A vector with fewer steps than frames
    or with impossible steps is ignored.
    """
    frames = header.frames
    if frames < 2:
        return FrameTimes(None, lambda index: None)
    vector = header.numbers("FrameTimeVector")
    steps_ms = vector[1:frames]
    if len(vector) >= frames and all(0 <= step <= MAX_INTERVAL_MS for step in steps_ms) and sum(steps_ms) > 0:
        times_s = [0.0, *(time_ms / 1000.0 for time_ms in accumulate(steps_ms))]
        return FrameTimes((frames - 1) / times_s[-1], lambda index: times_s[index] if index < frames else None)
    step_ms = header.first_number("FrameTime")
    rate = header.first_number("CineRate")
    if step_ms is None and rate:
        step_ms = 1000.0 / rate
    if step_ms is None or not MIN_INTERVAL_MS <= step_ms <= MAX_INTERVAL_MS:
        return FrameTimes(None, lambda index: None)
    return FrameTimes(1000.0 / step_ms, lambda index: index * step_ms / 1000.0)
