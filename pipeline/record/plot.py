"""A Bland-Altman plot as SVG, drawn by hand: the difference of each pair over its mean, in eggs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence

from pipeline.record.agreement import LimitsOfAgreement
from pipeline.record.pairs import Pair
from pipeline.record.sentences import signed

__all__ = ["bland_altman_svg"]

WIDTH, HEIGHT = 720.0, 340.0  # of the field, in the units of the view box
LEFT, TOP, RIGHT, BOTTOM = 48.0, 14.0, 120.0, 44.0
MOST_TICKS = 10


def bland_altman_svg(pairs: Sequence[Pair], limits: LimitsOfAgreement | None) -> str:
    """Pairs that fall on one place are one mark with their number. Filled where the 90 % interval held, else open."""
    marks = Counter(((pair.estimate + pair.known) / 2, pair.difference, pair.is_inside) for pair in pairs)
    most = max((mean for mean, _, _ in marks), default=1.0)
    reach = [float(difference) for _, difference, _ in marks] + ([limits.low, limits.high] if limits else [])
    low, high = math.floor(min([-1.0, *reach]) - 0.5), math.ceil(max([1.0, *reach]) + 0.5)
    right = math.ceil(most + 0.5)

    def x(eggs: float) -> float:
        return LEFT + WIDTH * eggs / right

    def y(eggs: float) -> float:
        return TOP + HEIGHT * (high - eggs) / (high - low)

    def lines() -> Iterator[str]:
        yield (
            f'<svg class="agreement" viewBox="0 0 {LEFT + WIDTH + RIGHT:g} {TOP + HEIGHT + BOTTOM:g}" role="img" '
            'aria-label="Estimate less outcome, over the mean of both">'
        )
        for eggs in _ticks(0, right):
            yield f'<path class="rule" d="M{x(eggs):.1f} {TOP}V{TOP + HEIGHT}"/>'
            yield f'<text x="{x(eggs):.1f}" y="{TOP + HEIGHT + 16}" text-anchor="middle">{eggs}</text>'
        for eggs in _ticks(low, high):
            yield f'<path class="{"zero" if eggs == 0 else "rule"}" d="M{LEFT} {y(eggs):.1f}H{LEFT + WIDTH}"/>'
            yield f'<text x="{LEFT - 8}" y="{y(eggs) + 4:.1f}" text-anchor="end">{signed(eggs, 0)}</text>'
        yield (
            f'<text class="axis" x="{LEFT + WIDTH / 2}" y="{TOP + HEIGHT + 36}" text-anchor="middle">'
            "mean of estimate and outcome, eggs</text>"
        )
        if limits:
            yield from _line("mean", limits.bias, "mean", y(limits.bias))
            if limits.spread:
                yield from _line("limit", limits.high, "upper limit", y(limits.high))
                yield from _line("limit", limits.low, "lower limit", y(limits.low))
        for (mean, difference, inside), number in sorted(marks.items()):
            # Marks of both kinds may share a place: they stand side by side.
            beside = 9.0 if (mean, difference, not inside) in marks else 0.0
            at = x(mean) + (beside if inside else -beside)
            kind = "inside" if inside else "outside"
            yield f'<circle class="{kind}" cx="{at:.1f}" cy="{y(difference):.1f}" r="{8 if number > 1 else 5.5}"/>'
            if number > 1:
                yield (
                    f'<text class="number {kind}" x="{at:.1f}" y="{y(difference) + 3.8:.1f}" '
                    f'text-anchor="middle">{number}</text>'
                )
        yield "</svg>"

    return "\n".join(lines())


def _line(kind: str, eggs: float, words: str, at: float) -> Iterator[str]:
    yield f'<path class="{kind}" d="M{LEFT} {at:.1f}H{LEFT + WIDTH}"/>'
    yield f'<text class="end" x="{LEFT + WIDTH + 8}" y="{at + 4:.1f}">{words} {signed(eggs)}</text>'


def _ticks(low: int, high: int) -> range:
    """Whole numbers, zero among them where it lies between, not too many."""
    step = next(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if (high - low) / step <= MOST_TICKS)
    return range(-(-low // step) * step, high + 1, step)
