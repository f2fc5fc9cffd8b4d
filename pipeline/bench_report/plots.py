"""Plots of the page as SVG, no wider than a phone's page, so that letters keep their size and nothing is scrolled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from pipeline.bench.calibration_error import ReliabilityBin
from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench.risk_coverage import RiskCoverage

__all__ = ["interval_svg", "points_svg", "reliability_svg", "risk_svg"]

_WIDTH, _ROW, _SIDE = 320, 36, 240  # units of the view box
_LEFT, _TOP, _BOTTOM = 40, 20, 44  # around a square plot
_TICKS = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True)
class _Scale:
    low: float
    high: float

    def x(self, value: float) -> float:
        return (_WIDTH - 8) * self.share(value) + 4

    def share(self, value: float) -> float:
        return (value - self.low) / (self.high - self.low)

    def at(self, share: float) -> float:
        return self.low + share * (self.high - self.low)


_SHARES = _Scale(0.0, 1.0)


def interval_svg(rows: Sequence[tuple[str, Estimate]], form: str, *, zero: bool = False) -> str:
    """A dot with its 95 % interval for each row, its name and numbers above it. Unknown values have a dash.

    form : format of a number;  zero : draw a line at 0, for differences
    """
    known = [(each.value, each.low, each.high) for _, each in rows]
    values = [number for row in known for number in row if number is not None]
    scale = _scale([*values, 0.0] if zero else values)
    height = _ROW * len(rows) + 4
    return _svg(_WIDTH, height, _interval_rows(rows, form, scale, zero=zero))


def _scale(values: Sequence[float]) -> _Scale:
    low, high = min(values, default=0.0), max(values, default=1.0)
    return _Scale(low, high) if high > low else _Scale(low - 0.5, high + 0.5)


def _interval_rows(rows: Sequence[tuple[str, Estimate]], form: str, scale: _Scale, *, zero: bool) -> Iterator[str]:
    for row, (name, each) in enumerate(rows):
        top = row * _ROW
        yield f'<text x="0" y="{top + 13}">{escape(name)}</text>'
        if each.value is None or each.low is None or each.high is None:
            yield f'<text x="{_WIDTH}" y="{top + 13}" text-anchor="end">-</text>'
            continue
        numbers = f"{each.value:{form}} [{each.low:{form}}, {each.high:{form}}]"
        yield f'<text x="{_WIDTH}" y="{top + 13}" text-anchor="end">{numbers}</text>'
        y = top + 24
        yield f'<path class="rule" d="M0 {y}H{_WIDTH}"/>'
        if zero:
            yield f'<path class="zero" d="M{scale.x(0):.1f} {y - 6}v12"/>'
        yield f'<path class="range" d="M{scale.x(each.low):.1f} {y}H{scale.x(each.high):.1f}"/>'
        yield f'<circle cx="{scale.x(each.value):.1f}" cy="{y}" r="4"/>'


def risk_svg(risk: RiskCoverage) -> str:
    """The share of wrong results among the animals that are not reviewed, over the share of those."""
    curve = " ".join(f"{_x(x):.1f},{_y(y):.1f}" for x, y in zip(risk.coverage, risk.risk[:-1], strict=False))
    share = risk.wrong / max(risk.animals, 1)
    parts = [
        *_axes("share of animals not reviewed", "share of those that are wrong"),
        f'<path class="other" d="M{_x(0):.1f} {_y(share):.1f}H{_x(1):.1f}"/>',
        f'<polyline class="curve" points="{curve}"/>',
    ]
    return _svg(_LEFT + _SIDE + 10, _TOP + _SIDE + _BOTTOM, parts)


def reliability_svg(bins: Sequence[ReliabilityBin]) -> str:
    """How often what was stated with a probability came true; a dot with its number of animals for each bin."""
    parts = [*_axes("stated confidence", "share within one egg")]
    parts.append(f'<path class="other" d="M{_x(0):.1f} {_y(0):.1f}L{_x(1):.1f} {_y(1):.1f}"/>')
    for each in bins:
        x, y = _x(each.mean_probability), _y(each.accuracy)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
        parts.append(f'<text x="{x - 8:.1f}" y="{y + 4:.1f}" text-anchor="end">{each.cases}</text>')
    return _svg(_LEFT + _SIDE + 10, _TOP + _SIDE + _BOTTOM, parts)


def points_svg(points: Sequence[tuple[str, float, float | None]], x_label: str, y_label: str) -> str:
    """A dot for each name, x and y, with its name beneath or above. One whose y is unknown is left out."""
    known = [(name, x, y) for name, x, y in points if y is not None]
    across = _scale([0.0, *(x for _, x, _ in known)])
    up = _scale([y for _, _, y in known])
    parts = [*_axes(x_label, y_label, across, up)]
    for name, x, y in known:
        left, top = _x(across.share(x)), _y(up.share(y))
        anchor = "end" if left > _LEFT + _SIDE / 2 else "start"
        parts.append(f'<circle cx="{left:.1f}" cy="{top:.1f}" r="4"/>')
        below = top + 16 if top < _TOP + _SIDE / 2 else top - 8
        parts.append(f'<text x="{left:.1f}" y="{below:.1f}" text-anchor="{anchor}">{escape(name)}</text>')
    return _svg(_LEFT + _SIDE + 20, _TOP + _SIDE + _BOTTOM, parts)


def _x(share: float) -> float:
    return _LEFT + _SIDE * share


def _y(share: float) -> float:
    return _TOP + _SIDE * (1 - share)


def _axes(x_label: str, y_label: str, across: _Scale = _SHARES, up: _Scale = _SHARES) -> Iterator[str]:
    for tick in _TICKS:
        yield f'<path class="rule" d="M{_x(0)} {_y(tick)}H{_x(1)}M{_x(tick)} {_y(0)}V{_y(1)}"/>'
        yield f'<text class="axis" x="{_x(0) - 6}" y="{_y(tick) + 4}" text-anchor="end">{up.at(tick):.3g}</text>'
        yield f'<text class="axis" x="{_x(tick)}" y="{_y(0) + 16}" text-anchor="middle">{across.at(tick):.3g}</text>'
    yield f'<text class="axis" x="{_x(0.5)}" y="{_y(0) + 36}" text-anchor="middle">{escape(x_label)}</text>'
    yield f'<text class="axis" x="0" y="12">{escape(y_label)}</text>'


def _svg(width: int, height: int, parts: Sequence[str] | Iterator[str]) -> str:
    return f'<svg class="plot" viewBox="0 0 {width} {height}" aria-hidden="true">{"".join(parts)}</svg>'
