"""One way of a hand over what lies before a window, from one turn to the next."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Pass"]


@dataclass(frozen=True)
class Pass:
    """file : the clip;  low, high : its frames, the last not included

    begins, ends : where these two lie on the first pass of the clip, in frames of that
    """

    file: str
    low: float
    high: float
    begins: float
    ends: float

    @classmethod
    def first(cls, file: str, low: float, high: float) -> Pass:
        """The pass by whose frames the others are told."""
        return cls(file, low, high, low, high)

    def holds(self, frame: float) -> bool:
        return self.low <= frame < self.high

    def place(self, frame: float) -> float:
        """Where a frame of this pass lies on the first one, as if the hand kept its pace."""
        share = (frame - self.low) / max(self.high - self.low, 1.0)
        return self.begins + share * (self.ends - self.begins)

    def goes_over(self, place: float, half: float) -> bool:
        """Whether what takes ``half`` a crossing on either side of a place of the first pass is crossed whole."""
        return min(self.begins, self.ends) <= place - half and place + half <= max(self.begins, self.ends)
