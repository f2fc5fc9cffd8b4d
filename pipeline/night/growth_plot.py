"""The growth of costs as an SVG: small plots, each of one figure over the number of exams or frames, both logarithmic.

The SVG is written directly, so that no plotting library is needed. The numbers are in ``years.json``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from html import escape

from pipeline.night.growth import GrowthFigures

__all__ = ["growth_svg", "logarithmic_plots_svg"]

_SIDE, _MARGIN, _COLUMNS = 240, 80, 3  # px, of a plot and around it
PLOTS = (
    ("night with nothing new, processor, s", "night_cpu_s"),
    ("its memory, MiB", "night_mib"),
    ("night with new exams, processor, s", "new_cpu_s"),
    ("largest page of the index, kB", "index_kb"),
    ("review at its address, processor, s", "review_cpu_s"),
    ("a page of its worklist, processor, ms", "worklist_ms"),
)


def growth_svg(figures: Sequence[GrowthFigures]) -> str:
    """A plot for each of ``PLOTS`` over the number of exams."""
    plots = {title: [float(getattr(each, name)) for each in figures] for title, name in PLOTS}
    return logarithmic_plots_svg("exams", [each.exams for each in figures], plots)


def logarithmic_plots_svg(of_what: str, numbers: Sequence[int], plots: Mapping[str, Sequence[float]]) -> str:
    """A plot of each figure, by its title. A line that rises by one field in each grows as the numbers do.

    of_what : what is counted by ``numbers``, in ascending order
    """
    columns, rows = min(_COLUMNS, len(plots)), math.ceil(len(plots) / _COLUMNS)
    width, height = columns * (_SIDE + _MARGIN) + _MARGIN, rows * (_SIDE + _MARGIN) + _MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        'font-size="13">',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
    ]
    for place, (title, values) in enumerate(plots.items()):
        left = _MARGIN + place % _COLUMNS * (_SIDE + _MARGIN)
        top = _MARGIN // 2 + place // _COLUMNS * (_SIDE + _MARGIN)
        parts += [f'<g transform="translate({left} {top})">', *_plot(title, of_what, numbers, values), "</g>"]
    return "\n".join([*parts, "</svg>"]) + "\n"


def _plot(title: str, of_what: str, numbers: Sequence[int], values: Sequence[float]) -> Iterator[str]:
    """Fields are as wide as high, and each is a power of ten."""
    first, fields = _decades(numbers)
    lowest, high = _decades(values)
    fields = max(fields, high)
    step = _SIDE / fields
    for tick in range(fields + 1):
        yield f'<path d="M0 {step * tick:.1f}H{_SIDE}M{step * tick:.1f} 0V{_SIDE}" stroke="#dddddd"/>'
        yield _text(step * tick, _SIDE + 18, f"{10.0 ** (first + tick):,.12g}")
        yield _text(-8, _SIDE - step * tick + 4, f"{10.0 ** (lowest + tick):,.12g}", anchor="end")
    yield _text(_SIDE / 2, _SIDE + 36, of_what)
    yield _text(0, -10, title, anchor="start")
    points = [
        (step * (math.log10(number) - first), _SIDE - step * (_log(value) - lowest))
        for number, value in zip(numbers, values, strict=True)
    ]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    yield f'<polyline points="{line}" fill="none" stroke="#000000" stroke-width="2"/>'
    for (x, y), value in zip(points, values, strict=True):
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#000000"/>'
        yield _text(x, y - 9, f"{value:,.3g}" if value < 1000 else f"{value:,.0f}")


def _decades(values: Sequence[float]) -> tuple[int, int]:
    """The power of ten below all values, and how many of them reach above all; at least one."""
    low = math.floor(min(map(_log, values)))
    return low, max(math.ceil(max(map(_log, values))) - low, 1)


def _log(value: float) -> float:
    return math.log10(max(value, 1e-3))


def _text(x: float, y: float, text: str, *, anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#222222">{escape(text)}</text>'
