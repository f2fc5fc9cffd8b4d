"""One pass of the probe in front of a window, from one turn of the hand to the next."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.track.probe_course import ProbeCourse

__all__ = ["Pass", "passes_of"]


@dataclass(frozen=True)
class Pass:
    """file : the clip;  start_frame, end_frame : its frames, the last not included

    low, high : the range of positions along the course of the hand that it covers
    """

    file: str
    start_frame: float
    end_frame: float
    low: float
    high: float

    def contains_frame(self, frame: float) -> bool:
        return self.start_frame <= frame < self.end_frame

    def covered_share(self, low: float, high: float) -> float:
        """Share of a range of positions that lies within this pass."""
        if high <= low:
            return 1.0 if self.low <= low <= self.high else 0.0
        return max(min(self.high, high) - max(self.low, low), 0.0) / (high - low)


def passes_of(file: str, course: ProbeCourse, frames: int) -> tuple[Pass, ...]:
    """The passes of a clip of so many frames, in order."""
    ends = [0.0, *(turn.frame for turn in course.turns), float(frames)]
    passes = []
    for start, end in pairwise(ends):
        inside = (course.frames >= start) & (course.frames <= end)
        positions = course.positions[inside] if inside.any() else course.position(np.array([start, end]))
        passes.append(Pass(file, start, end, float(positions.min()), float(positions.max())))
    return tuple(passes)
