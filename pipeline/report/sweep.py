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

from pipeline.estimate.finding import EggFinding, ExamFinding
from pipeline.report.evidence import in_order
from pipeline.report.words import moment_words, plural
from pipeline.scan import ClipScan

__all__ = ["sweep_plot"]

WIDTH = 720.0  # of the drawing, in its own units; the page scales it
LABELS = 104.0  # room for the eggs' names
GAP = 14.0  # between columns
ROW = 15.0
HEAD = 34.0  # clip name and band of used frames
FOOT = 20.0  # time axis
CLIPS_IN_A_BAND = 4
NARROWEST = 90.0


def sweep_plot(finding: ExamFinding, scans: Sequence[ClipScan]) -> str | None:
    """The SVG element as text; None where there is no egg or no usable clip to draw."""
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    clips = [scan for scan in in_order(scans) if scan.status == "done" and scan.frames > 0]
    if not eggs or not clips:
        return None
    bands = [clips[at : at + CLIPS_IN_A_BAND] for at in range(0, len(clips), CLIPS_IN_A_BAND)]
    band_height = HEAD + ROW * len(eggs) + FOOT
    height = band_height * len(bands)
    parts = [
        f'<svg class="sweep" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-labelledby="sweep-title" '
        'xmlns="http://www.w3.org/2000/svg">',
        f'<title id="sweep-title">When along each sweep {plural(len(eggs), "object")} came into view</title>',
        '<defs><pattern id="thin" width="5" height="5" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)">'
        '<rect width="5" height="5" class="blank"/><rect width="2.4" height="5" class="ink"/></pattern>'
        '<pattern id="soft" width="5" height="5" patternUnits="userSpaceOnUse">'
        '<rect width="5" height="5" class="blank"/><circle cx="2.5" cy="2.5" r="1.2" class="ink"/>'
        "</pattern></defs>",
    ]
    for index, band in enumerate(bands):
        parts += _band(eggs, band, index * band_height)
    return "\n".join([*parts, "</svg>"])


def _band(eggs: Sequence[EggFinding], clips: Sequence[ClipScan], top: float) -> list[str]:
    """Up to four clips beside each other, with the eggs' names on the left."""
    first_row = top + HEAD
    parts = []
    for row, egg in enumerate(eggs):
        y = first_row + ROW * row
        parts.append(
            f'<text x="{LABELS - 8:.0f}" y="{y + 11:.1f}" text-anchor="end">{egg.identity} {egg.stage}</text>'
            f'<line class="rule" x1="{LABELS:.0f}" x2="{WIDTH:.0f}" y1="{y + ROW:.1f}" y2="{y + ROW:.1f}"/>'
        )
    left = LABELS
    for scan, width in zip(clips, _widths(clips), strict=True):
        parts += _column(eggs, scan, left, width, top)
        left += width + GAP
    return parts


def _widths(clips: Sequence[ClipScan]) -> list[float]:
    """Column widths in proportion to the clips' lengths, none too narrow to read."""
    room = WIDTH - LABELS - GAP * (len(clips) - 1)
    lengths = np.array([scan.frames for scan in clips], float)
    spare = room - NARROWEST * len(clips)
    return [float(w) for w in NARROWEST + spare * lengths / lengths.sum()]


def _column(eggs: Sequence[EggFinding], scan: ClipScan, left: float, width: float, top: float) -> list[str]:
    per_frame = width / scan.frames
    first_row = top + HEAD
    last_row = first_row + ROW * len(eggs)
    parts = [
        f'<text class="clip" x="{left:.1f}" y="{top + 14:.1f}">{escape(_fitting(scan, width))}</text>',
        f'<rect class="column" x="{left:.1f}" y="{first_row:.1f}" width="{width:.1f}" '
        f'height="{ROW * len(eggs):.1f}"/>',
        f'<text class="axis" x="{left:.1f}" y="{last_row + 13:.1f}">'
        f"{moment_words(0, scan.frame_rate)}</text>",
        f'<text class="axis" x="{left + width:.1f}" y="{last_row + 13:.1f}" text-anchor="end">'
        f"{moment_words(scan.frames, scan.frame_rate)}</text>",
    ]
    parts += [
        f'<rect class="used" x="{left + begin:.1f}" y="{top + 22:.1f}" width="{end - begin:.1f}" height="5"/>'
        for begin, end in _used_spans(scan, width)
    ]
    for row, egg in enumerate(eggs):
        y = first_row + ROW * row
        seen = sorted(egg.sightings, key=lambda s: (s.first_frame, s.track))
        for sighting in (s for s in seen if s.clip == scan.file):
            x = left + per_frame * sighting.first_frame
            length = max(2.0, per_frame * (sighting.last_frame + 1 - sighting.first_frame))
            best = left + per_frame * (sighting.best_frame + 0.5)
            parts.append(
                f'<rect class="{egg.stage}" x="{x:.1f}" y="{y + 3:.1f}" width="{length:.1f}" height="9">'
                f"<title>{egg.identity} {egg.stage}, {escape(scan.file)}, frames {sighting.first_frame} to "
                f"{sighting.last_frame}</title></rect>"
                f'<path class="edge" d="M{best:.1f} {y + 1:.1f}v13"/>'
                f'<path class="tick" d="M{best:.1f} {y + 1:.1f}v13"/>'
            )
    return parts


def _fitting(scan: ClipScan, width: float) -> str:
    """The clip's name and window, cut to the column (a letter is about 6 units wide)."""
    name = f"{scan.file} ({scan.window})" if scan.window and scan.window not in scan.file else scan.file
    room = max(8, int(width / 6.0))
    return name if len(name) <= room else f"{name[: room - 1]}…"


def _used_spans(scan: ClipScan, width: float) -> list[tuple[float, float]]:
    """Begin and end, in units of the drawing, of the stretches where most frames were used."""
    bins = max(1, min(scan.frames, int(width)))
    of = np.bincount(np.arange(scan.frames) * bins // scan.frames, minlength=bins)
    used = np.bincount(scan.used * bins // scan.frames, minlength=bins)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (2 * used >= of).astype(int), [0]])))
    return [(float(a) * width / bins, float(b) * width / bins) for a, b in edges.reshape(-1, 2)]
