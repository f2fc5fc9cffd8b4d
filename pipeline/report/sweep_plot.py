"""A plot of when along each sweep every egg was in view, as SVG written by hand.

One row an egg, one column a clip, columns as wide as the clips are long. A full bar is a calcified egg, a
hatched one thin-shelled, a dotted one a follicle; the tick in a bar is its best frame. The thin band on top
of a column is dark where frames were clear enough to use. Written by hand, not by a plotting library, so
that it is small, takes the sheet's type, and is the same bytes everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np

from pipeline.estimate.results import EggFinding, ExamFinding, Sighting
from pipeline.report.sightings import sorted_scans
from pipeline.report.text import clip_title, frame_time_text
from pipeline.scan.clip_scan import ClipScan

__all__ = ["column_widths", "sweep_plot_svg", "used_spans"]

WIDTH = 720.0  # of the drawing, in its own units; the page scales it
LABELS_WIDTH = 104.0  # room for the eggs' names
COLUMN_GAP = 14.0  # between columns
ROW_HEIGHT = 13.0
HEADER_HEIGHT = 29.0  # clip name and band of used frames
AXIS_HEIGHT = 18.0  # time axis
CLIPS_PER_PANEL = 4
MIN_COLUMN_WIDTH = 90.0
MIN_BAR_WIDTH_FOR_TICK = 14.0  # in a shorter bar the tick would hide the bar

# Defined in the first drawing, used by all on the page.
PATTERNS = (
    '<defs><pattern id="thin-shelled-pattern" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)">'
    '<rect width="5" height="5" class="blank"/><rect width="2.4" height="5" class="ink"/></pattern>'
    '<pattern id="follicle-pattern" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<rect width="5" height="5" class="blank"/><circle cx="2.5" cy="2.5" r="1.2" class="ink"/>'
    "</pattern></defs>"
)


def sweep_plot_svg(finding: ExamFinding, scans: Sequence[ClipScan]) -> str | None:
    """The drawing as SVG elements, one for every four clips so that paper can break between them.

    None where there is no egg or no usable clip to draw.
    """
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    clips = [scan for scan in sorted_scans(scans) if scan.status == "done" and scan.frames > 0]
    if not eggs or not clips:
        return None
    bands = [clips[at : at + CLIPS_PER_PANEL] for at in range(0, len(clips), CLIPS_PER_PANEL)]
    height = HEADER_HEIGHT + ROW_HEIGHT * len(eggs) + AXIS_HEIGHT
    drawings = []
    for number, band in enumerate(bands):
        names = escape(", ".join(scan.file for scan in band))
        drawings += [
            f'<svg class="sweep" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
            f'aria-labelledby="sweep-{number}" xmlns="http://www.w3.org/2000/svg">',
            f'<title id="sweep-{number}">When the eggs were in view in {names}</title>',
            *([] if number else [PATTERNS]),
            *_band(eggs, band),
            "</svg>",
        ]
    return "\n".join(drawings)


def _band(eggs: Sequence[EggFinding], clips: Sequence[ClipScan]) -> list[str]:
    """Up to four clips beside each other, with the eggs' names on the left."""
    parts = []
    for row, egg in enumerate(eggs):
        y = HEADER_HEIGHT + ROW_HEIGHT * row
        parts.append(
            f'<text x="{LABELS_WIDTH - 8:.0f}" y="{y + 10:.1f}" text-anchor="end">{egg.identity} {egg.stage}</text>'
            f'<line class="rule" x1="{LABELS_WIDTH:.0f}" x2="{WIDTH:.0f}" y1="{y + ROW_HEIGHT:.1f}" y2="{y + ROW_HEIGHT:.1f}"/>'
        )
    left = LABELS_WIDTH
    for scan, width in zip(clips, column_widths(clips), strict=True):
        parts += _column(eggs, scan, left, width)
        left += width + COLUMN_GAP
    return parts


def column_widths(clips: Sequence[ClipScan]) -> list[float]:
    """Column widths in proportion to the clips' lengths, none too narrow to read."""
    room = WIDTH - LABELS_WIDTH - COLUMN_GAP * (len(clips) - 1)
    lengths = np.array([scan.frames for scan in clips], float)
    spare = room - MIN_COLUMN_WIDTH * len(clips)
    return [float(w) for w in MIN_COLUMN_WIDTH + spare * lengths / lengths.sum()]


def _column(eggs: Sequence[EggFinding], scan: ClipScan, left: float, width: float) -> list[str]:
    axis = HEADER_HEIGHT + ROW_HEIGHT * len(eggs) + 13
    parts = [
        f'<text class="clip" x="{left:.1f}" y="12">{escape(_fitting(scan, width))}</text>',
        f'<rect class="column" x="{left:.1f}" y="{HEADER_HEIGHT}" width="{width:.1f}" height="{ROW_HEIGHT * len(eggs)}"/>',
        f'<text class="axis" x="{left:.1f}" y="{axis}">{frame_time_text(0, scan.frame_rate)}</text>',
        f'<text class="axis" x="{left + width:.1f}" y="{axis}" text-anchor="end">'
        f"{frame_time_text(scan.frames, scan.frame_rate)}</text>",
    ]
    parts += [
        f'<rect class="used" x="{left + begin:.1f}" y="18" width="{end - begin:.1f}" height="5"/>'
        for begin, end in used_spans(scan, width)
    ]
    for row, egg in enumerate(eggs):
        for sighting in sorted(egg.sightings, key=lambda s: (s.first_frame, s.track)):
            if sighting.clip == scan.file:
                parts += _bar(egg, sighting, left, width / scan.frames, HEADER_HEIGHT + ROW_HEIGHT * row)
    return parts


def _bar(egg: EggFinding, sighting: Sighting, left: float, per_frame: float, top: float) -> list[str]:
    """One sighting in its egg's row, with a tick at the best frame where the bar has room for it."""
    length = max(2.0, per_frame * (sighting.last_frame + 1 - sighting.first_frame))
    parts = [
        f'<rect class="{egg.stage}" x="{left + per_frame * sighting.first_frame:.1f}" y="{top + 2.5}" '
        f'width="{length:.1f}" height="8"><title>{egg.identity} {egg.stage}, {escape(sighting.clip)}, '
        f"frames {sighting.first_frame} to {sighting.last_frame}</title></rect>"
    ]
    if length >= MIN_BAR_WIDTH_FOR_TICK:
        best = f"M{left + per_frame * (sighting.best_frame + 0.5):.1f} {top + 1}v11"
        parts.append(f'<path class="edge" d="{best}"/><path class="tick" d="{best}"/>')
    return parts


def _fitting(scan: ClipScan, width: float) -> str:
    """The clip's name and window, cut to the column (a letter is about 6 units wide)."""
    name = clip_title(scan)
    room = max(8, int(width / 6.0))
    return name if len(name) <= room else f"{name[: room - 1]}…"


def used_spans(scan: ClipScan, width: float) -> list[tuple[float, float]]:
    """Begin and end, in units of the drawing, of the stretches where most frames were used."""
    bins = max(1, min(scan.frames, int(width)))
    of = np.bincount(np.arange(scan.frames) * bins // scan.frames, minlength=bins)
    used = np.bincount(scan.used_frames * bins // scan.frames, minlength=bins)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (2 * used >= of).astype(int), [0]])))
    return [(float(a) * width / bins, float(b) * width / bins) for a, b in edges.reshape(-1, 2)]
