"""One pass of the probe in front of a window, from one turn to the next."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Pass"]


@dataclass(frozen=True)
class Pass:
    """file : the clip;  start_frame, end_frame : its frames, the last not included

    start_position, end_position : the positions of these two on the first pass of the clip, in frames of that pass
    """

    file: str
    start_frame: float
    end_frame: float
    start_position: float
    end_position: float

    @classmethod
    def first(cls, file: str, start_frame: float, end_frame: float) -> Pass:
        """The pass whose frames are the positions of all others."""
        return cls(file, start_frame, end_frame, start_frame, end_frame)

    def contains_frame(self, frame: float) -> bool:
        return self.start_frame <= frame < self.end_frame

    def position_at(self, frame: float) -> float:
        """The position of a frame of this pass on the first pass, assuming an even pace."""
        share = (frame - self.start_frame) / max(self.end_frame - self.start_frame, 1.0)
        return self.start_position + share * (self.end_position - self.start_position)

    def covers(self, position: float, half_width: float) -> bool:
        """Whether a crossing of ``half_width`` on either side of a position on the first pass lies fully within it."""
        low, high = sorted((self.start_position, self.end_position))
        return low <= position - half_width and position + half_width <= high
