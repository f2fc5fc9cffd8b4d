"""How well a clip was recorded, and what to do about it at the next scan."""

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
# A side of the picture was mostly lost if, over the clip, less than the first share of its beams had contact and the
# other side had at least so many times as much; otherwise both sides were poor (common practice, no source).
LOST_CONTACT_BELOW, OTHER_SIDE_FACTOR = 0.5, 2


@dataclass(frozen=True)
class ClipQuality:
    """skipped : for each cause, the number of frames that were not used, the largest number first

    contact : shares of the left and of the right half of the beams that had contact, over all frames
    is_static : a film that shows a single picture
    """

    skipped: tuple[tuple[RejectionCause, int], ...] = ()
    contact: tuple[float, float] = (1.0, 1.0)
    is_static: bool = False

    @property
    def causes_text(self) -> str:
        """The causes as text: "12 too dark, 3 saturated"."""
        return ", ".join(f"{number} {cause}" for cause, number in self.skipped)

    @property
    def hint(self) -> str | None:
        """What to do at the next scan about the cause of most losses; None if no frame was lost."""
        if not self.skipped:
            return None
        cause = self.skipped[0][0]
        side = self.poor_contact_side
        if cause == "no contact" and side is not None:
            return f"{HINTS[cause]}: most of the {side} side was lost to poor contact"
        return HINTS[cause]

    @property
    def poor_contact_side(self) -> str | None:
        """The side of the picture, "left" or "right", that was mostly lost while the other was seen; else None."""
        left, right = self.contact
        if min(left, right) >= LOST_CONTACT_BELOW or max(left, right) < OTHER_SIDE_FACTOR * min(left, right):
            return None
        return "left" if left < right else "right"
