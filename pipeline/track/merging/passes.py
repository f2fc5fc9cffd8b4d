"""One way of a hand over what lies before a window, from one turn to the next."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Pass"]


@dataclass(frozen=True)
class Pass:
    """file : the clip;  start_frame, end_frame : its frames, the last not included

    start_position, end_position : where these two lie on the first pass of the clip, in frames of that
    """

    file: str
    start_frame: float
    end_frame: float
    start_position: float
    end_position: float

    @classmethod
    def first(cls, file: str, start_frame: float, end_frame: float) -> Pass:
        """The pass by whose frames the others are told."""
        return cls(file, start_frame, end_frame, start_frame, end_frame)

    def contains_frame(self, frame: float) -> bool:
        return self.start_frame <= frame < self.end_frame

    def position_at(self, frame: float) -> float:
        """Where a frame of this pass lies on the first one, as if the hand kept its pace."""
        share = (frame - self.start_frame) / max(self.end_frame - self.start_frame, 1.0)
        return self.start_position + share * (self.end_position - self.start_position)

    def covers(self, place: float, half: float) -> bool:
        """Whether what takes ``half`` a crossing on either side of a place of the first pass is crossed whole."""
        return min(self.start_position, self.end_position) <= place - half and place + half <= max(
            self.start_position, self.end_position
        )
