"""How well a clip was recorded, and what whoever scans next should do about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["ClipQuality", "RejectionCause"]

RejectionCause = Literal["too dark", "saturated", "no contact", "colour Doppler", "too fast", "frozen"]

HINTS: Mapping[RejectionCause, str] = {
    "no contact": "more gel, the whole face of the probe on the skin, slower",
    "too dark": "more gain, and more gel",
    "saturated": "less gain",
    "too fast": "move the probe more slowly, and hold the animal still",
    "colour Doppler": "turn colour Doppler off, its colours hide the echoes",
    "frozen": "record while the picture moves",
}
# A side of the picture that had contact for less than this share of its beams, over the clip, was mostly lost; the
# other side must have had twice as much, or it is no matter of sides.
LOST_CONTACT_BELOW = 0.5


@dataclass(frozen=True)
class ClipQuality:
    """skipped : by cause, how many frames were not used, most of them first
    contact : over all frames, the share of the left and of the right half of the beams that had contact
    is_static : a film that showed one picture alone
    """

    skipped: tuple[tuple[RejectionCause, int], ...] = ()
    contact: tuple[float, float] = (1.0, 1.0)
    is_static: bool = False

    @property
    def causes_text(self) -> str:
        """For reading: "12 too dark, 3 saturated"."""
        return ", ".join(f"{number} {cause}" for cause, number in self.skipped)

    @property
    def hint(self) -> str | None:
        """What to do, at the next scan, about the cause that cost most; None where no frame was lost."""
        if not self.skipped:
            return None
        cause = self.skipped[0][0]
        side = self.poor_contact_side
        if cause == "no contact" and side is not None:
            return f"{HINTS[cause]}: most of the {side} side was lost to poor contact"
        return HINTS[cause]

    @property
    def poor_contact_side(self) -> str | None:
        """The side of the picture, "left" or "right", that was mostly lost while the other was seen, or None."""
        left, right = self.contact
        if min(left, right) >= LOST_CONTACT_BELOW or max(left, right) < 2 * min(left, right):
            return None
        return "left" if left < right else "right"
