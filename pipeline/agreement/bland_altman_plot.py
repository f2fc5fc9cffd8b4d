"""A Bland-Altman plot as SVG: the difference of each pair over its mean, in eggs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement
from pipeline.agreement.pairs import Pair
from pipeline.formatting import format_signed
from pipeline.language.translation import gettext

__all__ = ["NARROW_LAYOUT", "WIDE_LAYOUT", "PlotLayout", "bland_altman_svg"]

MAX_TICKS = 10  # of an axis
MARK_RADIUS = 10.0  # units left free beside the axis, so that no mark lies on its labels
LABEL_DIGITS = 1  # after the point, of the mean and the limits


@dataclass(frozen=True)
class PlotLayout:
    """width, height : of the plotting area, in units of the view box;  left, top, right, bottom : margins around it

    css_class : its class on the page;  labels_inside : above the lines, if the right margin has no space for them
    """

    css_class: str
    width: float
    height: float
    left: float = 48.0
    top: float = 14.0
    right: float = 120.0
    bottom: float = 44.0
    labels_inside: bool = False


WIDE_LAYOUT = PlotLayout("wide", 720.0, 340.0)
# As wide as a phone's page, so that letters keep their size and nothing needs scrolling.
NARROW_LAYOUT = PlotLayout("narrow", 312.0, 300.0, left=36.0, right=14.0, labels_inside=True)


def bland_altman_svg(pairs: Sequence[Pair], limits: LimitsOfAgreement | None, layout: PlotLayout = WIDE_LAYOUT) -> str:
    """Pairs with the same mean and difference are one mark with their number.

    A mark is filled if the 90 % interval of its estimates contains the outcome, else open.
    """
    marks = Counter(
        ((pair.estimate + pair.known_count) / 2, pair.difference, pair.is_within_interval) for pair in pairs
    )
    max_mean = max((mean for mean, _, _ in marks), default=1.0)
    differences = [float(difference) for _, difference, _ in marks] + ([limits.low, limits.high] if limits else [])
    low, high = math.floor(min([-1.0, *differences]) - 0.5), math.ceil(max([1.0, *differences]) + 0.5)
    right = math.ceil(max_mean + 0.5)
    bottom, end = layout.top + layout.height, layout.left + layout.width

    def x(eggs: float) -> float:
        return layout.left + MARK_RADIUS + (layout.width - MARK_RADIUS) * eggs / right

    def y(eggs: float) -> float:
        return layout.top + layout.height * (high - eggs) / (high - low)

    def lines() -> Iterator[str]:
        yield (
            f'<svg class="agreement {layout.css_class}" viewBox="0 0 {layout.left + layout.width + layout.right:g} '
            f'{bottom + layout.bottom:g}" role="img">'
            f"<title>{escape(gettext('Estimate minus outcome, over the mean of both'))}</title>"
        )
        for eggs in _ticks(0, right):
            yield f'<path class="rule" d="M{x(eggs):.1f} {layout.top:g}V{bottom:g}"/>'
            yield f'<text x="{x(eggs):.1f}" y="{bottom + 16:g}" text-anchor="middle">{eggs}</text>'
        for eggs in _ticks(low, high):
            yield f'<path class="{"zero" if eggs == 0 else "rule"}" d="M{layout.left:g} {y(eggs):.1f}H{end:g}"/>'
            yield f'<text x="{layout.left - 8:g}" y="{y(eggs) + 4:.1f}" text-anchor="end">{format_signed(eggs)}</text>'
        yield (
            f'<text class="axis" x="{layout.left + layout.width / 2:g}" y="{bottom + 36:g}" text-anchor="middle">'
            f"{escape(gettext('mean of estimate and outcome, eggs'))}</text>"
        )
        if limits:
            yield from _line(layout, "mean", limits.bias, gettext("mean"), y(limits.bias))
            if limits.standard_deviation:
                yield from _line(layout, "limit", limits.high, gettext("upper limit"), y(limits.high))
                yield from _line(layout, "limit", limits.low, gettext("lower limit"), y(limits.low))
        for (mean, difference, inside), number in sorted(marks.items()):
            # A filled and an open mark may have the same position. Then they are drawn side by side.
            shift = 9.0 if (mean, difference, not inside) in marks else 0.0
            at = x(mean) + (shift if inside else -shift)
            kind = "inside" if inside else "outside"
            yield f'<circle class="{kind}" cx="{at:.1f}" cy="{y(difference):.1f}" r="{8 if number > 1 else 5.5}"/>'
            if number > 1:
                yield (
                    f'<text class="number {kind}" x="{at:.1f}" y="{y(difference) + 3.8:.1f}" '
                    f'text-anchor="middle">{number}</text>'
                )
        yield "</svg>"

    return "\n".join(lines())


def _line(layout: PlotLayout, kind: str, eggs: float, label: str, at: float) -> Iterator[str]:
    """A horizontal line across the plotting area with its label and value. at : y"""
    end = layout.left + layout.width
    yield f'<path class="{kind}" d="M{layout.left:g} {at:.1f}H{end:g}"/>'
    text = escape(f"{label} {format_signed(eggs, LABEL_DIGITS)}")
    if layout.labels_inside:
        yield f'<text class="end" x="{end - 2:g}" y="{at - 5:.1f}" text-anchor="end">{text}</text>'
    else:
        yield f'<text class="end" x="{end + 8:g}" y="{at + 4:.1f}">{text}</text>'


def _ticks(low: int, high: int) -> range:
    """Whole numbers from low to high, at most ``MAX_TICKS`` steps. Zero is one of them if it lies between."""
    step = next(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if (high - low) / step <= MAX_TICKS)
    return range(-(-low // step) * step, high + 1, step)
