"""When each frame of a DICOM recording was taken, and how many there are to a second."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["FrameTimes", "read_frame_times"]

MAX_INTERVAL_MS, MIN_INTERVAL_MS = 60_000.0, 1.0  # from one frame to the next


@dataclass(frozen=True)
class FrameTimes:
    """frame_rate : per second, on average; None for a single picture and where the header does not tell

    time_s_at : from a frame's index to its time in s since the first, None where not known
    """

    frame_rate: float | None
    time_s_at: Callable[[int], float | None]


def read_frame_times(dataset: Dataset, frames: int) -> FrameTimes:
    """Times of ``frames`` frames: from the Frame Time Vector (0018,1065), whose steps are in ms and whose first is
    that of the first frame, else from Frame Time (0018,1063), in ms, else from Cine Rate (0018,0040), per second.

    PS3.3 C.7.6.5. A vector with fewer steps than frames or with impossible ones counts as not there.
    """
    if frames < 2:
        return FrameTimes(None, lambda index: None)
    vector = _numbers(dataset, "FrameTimeVector")
    steps = vector[1:frames]
    if len(vector) >= frames and all(0 <= step <= MAX_INTERVAL_MS for step in steps) and sum(steps) > 0:
        times = [0.0, *(time_ms / 1000.0 for time_ms in accumulate(steps))]
        return FrameTimes((frames - 1) / times[-1], lambda index: times[index] if index < frames else None)
    step = _first(dataset, "FrameTime")
    rate = _first(dataset, "CineRate")
    if step is None and rate:
        step = 1000.0 / rate
    if step is None or not MIN_INTERVAL_MS <= step <= MAX_INTERVAL_MS:
        return FrameTimes(None, lambda index: None)
    return FrameTimes(1000.0 / step, lambda index: index * step / 1000.0)


def _numbers(dataset: Dataset, keyword: str) -> list[float]:
    """The element's finite numbers; none at all if one of them is none."""
    try:
        value: Any = dataset.get(keyword)
        if value is None or value == "":
            return []
        numbers = [float(one) for one in ([value] if isinstance(value, str | int | float) else value)]
    except (TypeError, ValueError, OverflowError):
        return []
    return numbers if all(map(math.isfinite, numbers)) else []


def _first(dataset: Dataset, keyword: str) -> float | None:
    return next(iter(_numbers(dataset, keyword)), None)
