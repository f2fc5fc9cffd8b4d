"""Four plots of a data set as one SVG: precision over recall, the stages confused, risk over coverage, and reliability.

Drawn by hand, so that no plotting library need be installed; the numbers stand in ``figures.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from pipeline.bench.data_set_metrics import STAGES, DataSetMetrics
from pipeline.bench.risk_coverage import RiskCoverage
from pipeline.bench.stage_metrics import StageMetrics

__all__ = ["metrics_svg"]

_SIDE, _MARGIN = 320, 90  # px of a plot, and around it
_CELL = _SIDE // 4
# Told apart by people who see no red or green, and by lightness (after Okabe and Ito, 2008, from memory).
_COLOURS = {"shelled": "#000000", "calcified": "#0072b2", "thin-shelled": "#e69f00", "follicle": "#cc79a7"}


def metrics_svg(figures: DataSetMetrics) -> str:
    """Curves of the classes that have objects, at an overlap of 0.5; numbers of objects, shaded by shares of rows; and
    the share of animals that are wrong among those passed unseen, with what no order and a perfect one would leave; and
    how often the stages of eggs are right, over how probable they are said to be.
    """
    width, height = 4 * _SIDE + 5 * _MARGIN, _SIDE + 2 * _MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        'font-size="13">',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        _text(_MARGIN, 30, f"{figures.name}: {figures.frames:,} frames", anchor="start", size=16),
        f'<g transform="translate({_MARGIN} {_MARGIN})">',
        *_curves(figures),
        "</g>",
        f'<g transform="translate({2 * _MARGIN + _SIDE} {_MARGIN})">',
        *_confusion(figures),
        "</g>",
        f'<g transform="translate({3 * _MARGIN + 2 * _SIDE} {_MARGIN})">',
        *_risk(figures.risk),
        "</g>",
        f'<g transform="translate({4 * _MARGIN + 3 * _SIDE} {_MARGIN})">',
        *_reliability(figures.stages),
        "</g>",
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _field(across: str, up: str) -> Iterator[str]:
    """A square from 0 to 1 either way."""
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        at = _SIDE * tick
        yield f'<path d="M0 {_SIDE - at:g}H{_SIDE}M{at:g} 0V{_SIDE}" stroke="#dddddd"/>'
        yield _text(at, _SIDE + 18, f"{tick:g}")
        yield _text(-8, _SIDE - at + 4, f"{tick:g}", anchor="end")
    yield _text(_SIDE / 2, _SIDE + 40, across)
    yield _text(0, -12, up, anchor="start")


def _risk(risk: RiskCoverage) -> Iterator[str]:
    yield from _field("coverage: share of animals passed unseen", "risk: share of those that are wrong")
    if not risk.animals:
        return
    share = risk.wrong / risk.animals
    at_best = [max(share - 1 + coverage, 0.0) / coverage for coverage in risk.coverage if coverage > 0]
    yield f'<path d="M0 {_SIDE * (1 - share):.1f}H{_SIDE}" stroke="#777777" stroke-dasharray="2 4"/>'
    yield _line(risk.coverage, at_best, 'stroke="#777777" stroke-dasharray="7 5"')
    yield _line(risk.coverage, risk.risk[:-1], 'stroke="#000000" stroke-width="2"')
    # No animal passed has no risk: the curve ends at the last one.
    for row, (words, dash) in enumerate((("by the flags", ""), ("perfect order", "7 5"), ("no order", "2 4"))):
        y, colour = 14 + 18 * row, "#777777" if dash else "#000000"
        yield f'<path d="M200 {y}h28" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash or "none"}"/>'
        yield _text(234, y + 4, words, anchor="start")


def _line(coverage: Sequence[float], risk: Sequence[float], style: str) -> str:
    points = " ".join(
        f"{_SIDE * across:.1f},{_SIDE * (1 - up):.1f}" for across, up in zip(coverage, risk, strict=False)
    )
    return f'<polyline points="{points}" fill="none" {style}/>'


def _curves(figures: DataSetMetrics) -> Iterator[str]:
    yield from _field("recall", "precision")
    known = [name for name in _COLOURS if figures.classes[name].ap50 is not None]
    for row, name in enumerate(known):
        # Precision 0 is where COCO's curve ends: that recall was not reached.
        reached = figures.curves[name].precision[figures.curves[name].precision > 0]
        points = " ".join(
            f"{_SIDE * recall:.1f},{_SIDE * (1 - precision):.1f}"
            for recall, precision in zip(np.arange(len(reached)) / 100, reached, strict=True)
        )
        yield f'<polyline points="{points}" fill="none" stroke="{_COLOURS[name]}" stroke-width="2"/>'
        label = f"{name}, AP50 {figures.classes[name].ap50:.3f}"
        yield _text(12, _SIDE - 14 - 18 * (len(known) - 1 - row), label, anchor="start", fill=_COLOURS[name])


def _confusion(figures: DataSetMetrics) -> Iterator[str]:
    yield _text(_SIDE / 2, _SIDE + 40, "called")
    yield _text(0, -12, "true", anchor="start")
    rows = figures.confusion.tolist()
    for row, name in enumerate((*STAGES, "nothing there")):
        yield _text(-8, _CELL * (row + 0.5) + 4, name, anchor="end")
        yield _text(_CELL * (row + 0.5), _SIDE + 18, (*STAGES, "not found")[row])
        for column, number in enumerate(rows[row]):
            if row == column == len(STAGES):
                continue  # nothing, and not found: that is everywhere
            share = number / max(1, sum(rows[row]))
            shade = round(255 - 140 * share)
            yield (
                f'<rect x="{_CELL * column}" y="{_CELL * row}" width="{_CELL}" height="{_CELL}" '
                f'fill="rgb({shade},{shade},255)" stroke="#999999"/>'
            )
            yield _text(_CELL * (column + 0.5), _CELL * (row + 0.5) + 4, f"{number:,}")


def _reliability(stages: StageMetrics) -> Iterator[str]:
    """A dot for every tenth of the probabilities that is in use, its number of eggs beside it."""
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        at = _SIDE * tick
        yield f'<path d="M0 {_SIDE - at:g}H{_SIDE}M{at:g} 0V{_SIDE}" stroke="#dddddd"/>'
        yield _text(at, _SIDE + 18, f"{tick:g}")
        yield _text(-8, _SIDE - at + 4, f"{tick:g}", anchor="end")
    yield f'<path d="M0 {_SIDE}L{_SIDE} 0" stroke="#999999" stroke-dasharray="4 4"/>'
    yield _text(_SIDE / 2, _SIDE + 40, "probability of the stage, as told")
    error = "-" if stages.calibration_error is None else f"{stages.calibration_error:.3f}"
    yield _text(0, -12, f"share of eggs that are of it; calibration error {error}", anchor="start")
    for each in stages.bins:
        x, y = _SIDE * each.mean_probability, _SIDE * (1 - each.accuracy)
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="#000000"/>'
        yield _text(x - 9, y + 4, f"{each.eggs:,}", anchor="end")


def _text(x: float, y: float, words: str, *, anchor: str = "middle", size: int = 13, fill: str = "#222222") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}" fill="{fill}">{escape(words)}</text>'
