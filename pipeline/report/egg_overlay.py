"""The lines on an egg's picture as SVG on top of it: sharp at every size, and taken away by one switch."""

from __future__ import annotations

from models.ellipse import circumference
from models.stages import Stage
from pipeline.report.egg_pictures import HEIGHT, STAGE_DASHES_PX, WIDTH, EggCutout, Ellipse

__all__ = ["dash_count", "egg_overlay_svg"]

BAR_MARGIN_PX = 14.0  # from the right and lower edges to the scale bar


def egg_overlay_svg(cutout: EggCutout, stage: Stage) -> str:
    """Outline and scale bar, in px of the cutout. It holds only numbers, so nothing needs escaping."""
    parts = [
        f'<svg class="overlay" viewBox="0 0 {WIDTH} {HEIGHT}" aria-hidden="true" focusable="false">',
        f'<g class="outline">{_ellipse("edge", cutout.line, stage)}{_ellipse("line", cutout.line, stage)}</g>',
    ]
    if cutout.bar_mm is not None and cutout.bar_px is not None:
        right, bottom = WIDTH - BAR_MARGIN_PX, HEIGHT - BAR_MARGIN_PX
        bar = f"M{right - cutout.bar_px:.1f} {bottom - 5:g}v10m0 -5H{right:g}m0 -5v10"
        middle = right - max(cutout.bar_px / 2, 22.0)
        parts.append(
            f'<path class="edge" d="{bar}"/><path class="line" d="{bar}"/>'
            f'<text x="{middle:.1f}" y="{bottom - 10:g}" text-anchor="middle">{cutout.bar_mm} mm</text>'
        )
    return "".join([*parts, "</svg>"])


def dash_count(line: Ellipse, dash: float, gap: float) -> int:
    """How many dashes with their gaps go round an ellipse, so that the pattern closes without a seam."""
    return max(3, round(float(circumference(line)[0]) / (dash + gap)))


def _ellipse(css_class: str, line: Ellipse, stage: Stage) -> str:
    cx, cy, a, b, degrees = line
    dash, gap = STAGE_DASHES_PX[stage]
    dashes = ""
    if gap:
        dashes = f' pathLength="{dash_count(line, dash, gap) * (dash + gap):g}" stroke-dasharray="{dash:g} {gap:g}"'
    return (
        f'<ellipse class="{css_class}" cx="{cx:.1f}" cy="{cy:.1f}" rx="{a:.1f}" ry="{b:.1f}" '
        f'transform="rotate({degrees:.1f} {cx:.1f} {cy:.1f})"{dashes}/>'
    )
