"""Four plots of a data set in one SVG: precision and recall, confusion of stages, risk and coverage, and reliability.

The SVG is written directly, so that no plotting library is needed. The numbers are in ``figures.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from models.evaluation_thresholds import SCORE_THRESHOLD
from models.stages import STAGES
from pipeline.bench.data_set_metrics import DataSetMetrics
from pipeline.bench.detection_metrics import DetectionMetrics
from pipeline.bench.risk_coverage import RiskCoverage
from pipeline.bench.stage_metrics import StageMetrics

__all__ = ["metrics_svg"]

_SIDE, _MARGIN = 320, 90  # px, of a plot and around it
_CELL = _SIDE // (len(STAGES) + 1)
_LEGEND_LEFT = 200  # px
# Colours that colour-blind people can distinguish, also by lightness (after Okabe and Ito, 2008, from memory).
_COLOURS = {"shelled": "#000000", "calcified": "#0072b2", "thin-shelled": "#e69f00", "follicle": "#cc79a7"}


def metrics_svg(metrics: DataSetMetrics) -> str:
    """The four plots. One whose numbers the method does not give is empty.

    1. Precision and recall of the classes that have objects, at an overlap of 0.5.
    2. Numbers of objects by true and detected stage, shaded by their share of the row.
    3. The share of wrong results among the animals that are not reviewed, for our order, a random and a perfect one.
    4. The share of eggs whose stage is right, over the stated probability.
    """
    width, height = 4 * _SIDE + 5 * _MARGIN, _SIDE + 2 * _MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        'font-size="13">',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        _text(_MARGIN, 30, f"{metrics.name}: {metrics.frames:,} frames", anchor="start", size=16),
        f'<g transform="translate({_MARGIN} {_MARGIN})">',
        *(() if metrics.detection is None else _curves(metrics.detection)),
        "</g>",
        f'<g transform="translate({2 * _MARGIN + _SIDE} {_MARGIN})">',
        *(() if metrics.detection is None else _confusion(metrics.detection)),
        "</g>",
        f'<g transform="translate({3 * _MARGIN + 2 * _SIDE} {_MARGIN})">',
        *(() if metrics.counting is None else _risk(metrics.counting.risk)),
        "</g>",
        f'<g transform="translate({4 * _MARGIN + 3 * _SIDE} {_MARGIN})">',
        *_reliability(metrics.eggs.stages),
        "</g>",
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _axes(x_label: str, y_label: str) -> Iterator[str]:
    """The axes of a plot, both from 0 to 1."""
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        at = _SIDE * tick
        yield f'<path d="M0 {_SIDE - at:g}H{_SIDE}M{at:g} 0V{_SIDE}" stroke="#dddddd"/>'
        yield _text(at, _SIDE + 18, f"{tick:g}")
        yield _text(-8, _SIDE - at + 4, f"{tick:g}", anchor="end")
    yield _text(_SIDE / 2, _SIDE + 40, x_label)
    yield _text(0, -12, y_label, anchor="start")


def _risk(risk: RiskCoverage) -> Iterator[str]:
    yield from _axes("coverage: share of animals not reviewed", "risk: share of those that are wrong")
    if not risk.animals:
        return
    share = risk.wrong / risk.animals
    perfect = [max(share - 1 + coverage, 0.0) / coverage for coverage in risk.coverage if coverage > 0]
    yield f'<path d="M0 {_SIDE * (1 - share):.1f}H{_SIDE}" stroke="#777777" stroke-dasharray="2 4"/>'
    yield _line(risk.coverage, perfect, 'stroke="#777777" stroke-dasharray="7 5"')
    yield _line(risk.coverage, risk.risk[:-1], 'stroke="#000000" stroke-width="2"')
    # The risk at coverage 0 is undefined, so the curve ends before it.
    for row, (label, dash) in enumerate((("by the flags", ""), ("perfect order", "7 5"), ("random order", "2 4"))):
        y, colour = 14 + 18 * row, "#777777" if dash else "#000000"
        style = f'stroke="{colour}" stroke-width="2" stroke-dasharray="{dash or "none"}"'
        yield f'<path d="M{_LEGEND_LEFT} {y}h28" {style}/>'
        yield _text(_LEGEND_LEFT + 34, y + 4, label, anchor="start")


def _line(coverage: Sequence[float], risk: Sequence[float], style: str) -> str:
    points = " ".join(f"{_SIDE * x:.1f},{_SIDE * (1 - y):.1f}" for x, y in zip(coverage, risk, strict=False))
    return f'<polyline points="{points}" fill="none" {style}/>'


def _curves(metrics: DetectionMetrics) -> Iterator[str]:
    yield from _axes("recall", "precision")
    known = [name for name in _COLOURS if metrics.classes[name].ap50 is not None]
    for row, name in enumerate(known):
        # COCO gives precision 0 for recalls that were not reached.
        reached = metrics.curves[name].precision[metrics.curves[name].precision > 0]
        points = " ".join(
            f"{_SIDE * recall:.1f},{_SIDE * (1 - precision):.1f}"
            for recall, precision in zip(np.arange(len(reached)) / 100, reached, strict=True)
        )
        yield f'<polyline points="{points}" fill="none" stroke="{_COLOURS[name]}" stroke-width="2"/>'
        label = f"{name}, AP50 {metrics.classes[name].ap50:.3f}"
        yield _text(12, _SIDE - 14 - 18 * (len(known) - 1 - row), label, anchor="start", fill=_COLOURS[name])


def _confusion(metrics: DetectionMetrics) -> Iterator[str]:
    yield _text(_SIDE / 2, _SIDE + 40, f"detected, score at least {SCORE_THRESHOLD:g}")
    yield _text(0, -12, "true", anchor="start")
    rows = metrics.confusion.tolist()
    for row, name in enumerate((*STAGES, "nothing there")):
        yield _text(-8, _CELL * (row + 0.5) + 4, name, anchor="end")
        yield _text(_CELL * (row + 0.5), _SIDE + 18, (*STAGES, "not found")[row])
        for column, number in enumerate(rows[row]):
            if row == column == len(STAGES):
                continue  # no object and no detection: this cannot be counted
            share = number / max(1, sum(rows[row]))
            shade = round(255 - 140 * share)
            yield (
                f'<rect x="{_CELL * column}" y="{_CELL * row}" width="{_CELL}" height="{_CELL}" '
                f'fill="rgb({shade},{shade},255)" stroke="#999999"/>'
            )
            yield _text(_CELL * (column + 0.5), _CELL * (row + 0.5) + 4, f"{number:,}")


def _reliability(stages: StageMetrics) -> Iterator[str]:
    """A dot for each bin of probabilities, with its number of eggs."""
    error = "-" if stages.calibration_error is None else f"{stages.calibration_error:.3f}"
    yield from _axes("stated probability of the stage", f"share of eggs with that stage; calibration error {error}")
    yield f'<path d="M0 {_SIDE}L{_SIDE} 0" stroke="#999999" stroke-dasharray="4 4"/>'
    for each in stages.bins:
        x, y = _SIDE * each.mean_probability, _SIDE * (1 - each.accuracy)
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="#000000"/>'
        yield _text(x - 9, y + 4, f"{each.cases:,}", anchor="end")


def _text(x: float, y: float, text: str, *, anchor: str = "middle", size: int = 13, fill: str = "#222222") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}" fill="{fill}">{escape(text)}</text>'
