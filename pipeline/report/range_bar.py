"""How uncertain a number is, as a small bar: its range on a scale from zero, with a mark at the estimate."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

__all__ = ["BAR_HEIGHT", "BAR_WIDTH", "RangeBar", "range_bar_svg"]

BAR_WIDTH, BAR_HEIGHT = 96.0, 12.0  # units of the drawing, about px
_EDGE = 2.0  # units left free at both ends, for half a mark


@dataclass(frozen=True)
class RangeBar:
    """low, value, high : the range and the estimate, as shares of the scale, 0 to 1;  text : the same in words"""

    low: float
    value: float
    high: float
    text: str

    @classmethod
    def of(cls, low: float, value: float, high: float, top: float, text: str) -> RangeBar:
        """From numbers on a scale from 0 to ``top``; what is beyond the scale ends at its end."""
        low, value, high = (min(max(number / top, 0.0), 1.0) for number in (low, value, high))
        return cls(low, value, high, text)


def range_bar_svg(bar: RangeBar) -> str:
    """One line for the scale, a bar for the range, a mark for the estimate."""

    def x(share: float) -> str:
        return f"{_EDGE + (BAR_WIDTH - 2 * _EDGE) * share:.1f}"

    middle = BAR_HEIGHT / 2
    return (
        f'<svg class="range-bar" viewBox="0 0 {BAR_WIDTH:g} {BAR_HEIGHT:g}" width="{BAR_WIDTH:g}" '
        f'height="{BAR_HEIGHT:g}" role="img"><title>{escape(bar.text)}</title>'
        f'<path class="scale" d="M{x(0)} {middle:g}H{x(1)}"/><path class="range" d="M{x(bar.low)} {middle:g}H'
        f'{x(bar.high)}"/><path class="mark" d="M{x(bar.value)} 1v{BAR_HEIGHT - 2:g}"/></svg>'
    )
