"""A plot of when along each sweep every egg was in view: the positions of everything, and the drawing as SVG.

One row per egg, one column per clip. Columns are as wide as the clips are long. A full bar is a calcified egg, a
hatched bar is thin-shelled, a dotted bar is a follicle. The tick in a bar is its best frame. The thin band above a
column is dark where frames were clear enough to use. A broken line marks where the hand turned back. The SVG is written
here and not by a plotting library, so that it is small, takes the sheet's fonts, and is the same bytes everywhere.

x is in units of the drawing, which is ``WIDTH`` wide. y is left to the code that draws: eggs have a row, from 0 at
the top, because rows on paper get thinner where there are many eggs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from models.stages import Stage
from pipeline.estimate.results import EggFinding, ExamFinding, Sighting
from pipeline.formatting import frames_text
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext
from pipeline.report.sightings import sorted_scans
from pipeline.report.text import clip_title, frame_time_text
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "AXIS_HEIGHT",
    "BAND_HEIGHT",
    "BAND_TOP",
    "CLIPS_PER_PANEL",
    "HEADER_HEIGHT",
    "LABELS_WIDTH",
    "ROW_HEIGHT",
    "WIDTH",
    "SweepBar",
    "SweepColumn",
    "SweepPanel",
    "SweepPlot",
    "sweep_plot",
    "sweep_plot_svg",
]

# In units of the drawing.
WIDTH = 720.0
LABELS_WIDTH = 104.0  # left of the columns, for the eggs' names
COLUMN_GAP = 14.0
MIN_COLUMN_WIDTH = 90.0
MIN_BAR_WIDTH = 2.0
MIN_BAR_WIDTH_FOR_TICK = 14.0  # in a shorter bar the tick would hide the bar
ROW_HEIGHT = 13.0
HEADER_HEIGHT = 29.0  # the clip's name and the band of used frames
BAND_TOP, BAND_HEIGHT = 18.0, 5.0
AXIS_HEIGHT = 18.0
LETTER_WIDTH = 6.0  # roughly, of a clip's name

CLIPS_PER_PANEL = 4

# Defined in the first drawing and used by all drawings of the page.
PATTERNS = (
    '<defs><pattern id="thin-shelled-pattern" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)">'
    '<rect width="5" height="5" class="blank"/><rect width="2.4" height="5" class="ink"/></pattern>'
    '<pattern id="follicle-pattern" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<rect width="5" height="5" class="blank"/><circle cx="2.5" cy="2.5" r="1.2" class="ink"/>'
    "</pattern></defs>"
)


@dataclass(frozen=True)
class SweepBar:
    """One sighting. row : of its egg;  x, width : of the bar;  tick_x : best frame, None if the bar is too short

    description : plain text, shown by browsers when the pointer rests on the bar
    """

    row: int
    stage: Stage
    x: float
    width: float
    tick_x: float | None
    description: str


@dataclass(frozen=True)
class SweepColumn:
    """One clip. title, begin, end : text above the column and below its two ends

    used_spans : x of begin and end of the stretches where most frames were used
    turns : x where the hand turned back
    """

    x: float
    width: float
    title: str
    begin: str
    end: str
    used_spans: tuple[tuple[float, float], ...]
    turns: tuple[float, ...]
    bars: tuple[SweepBar, ...]


@dataclass(frozen=True)
class SweepPanel:
    """Up to ``CLIPS_PER_PANEL`` columns next to each other. title : what the panel shows"""

    title: str
    columns: tuple[SweepColumn, ...]


@dataclass(frozen=True)
class SweepPlot:
    """numbers, stages : of the eggs, one for each row"""

    numbers: tuple[int, ...]
    stages: tuple[Stage, ...]
    panels: tuple[SweepPanel, ...]

    def row_label(self, row: int) -> str:
        return f"{self.numbers[row]} {stored_text(self.stages[row])}"


def sweep_plot(finding: ExamFinding, scans: Sequence[ClipScan]) -> SweepPlot | None:
    """None if there is no egg or no usable clip to draw."""
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    clips = [scan for scan in sorted_scans(scans) if scan.status == "done" and scan.frames > 0]
    if not eggs or not clips:
        return None
    panels = [clips[first : first + CLIPS_PER_PANEL] for first in range(0, len(clips), CLIPS_PER_PANEL)]
    return SweepPlot(
        numbers=tuple(egg.identity for egg in eggs),
        stages=tuple(egg.stage for egg in eggs),
        panels=tuple(_panel(eggs, panel) for panel in panels),
    )


def _panel(eggs: Sequence[EggFinding], clips: Sequence[ClipScan]) -> SweepPanel:
    columns, x = [], LABELS_WIDTH
    for scan, width in zip(clips, _column_widths(clips), strict=True):
        columns.append(_column(eggs, scan, x, width))
        x += width + COLUMN_GAP
    files = ", ".join(scan.file for scan in clips)
    return SweepPanel(gettext("When the eggs were in view in {clips}", clips=files), tuple(columns))


def _column_widths(clips: Sequence[ClipScan]) -> list[float]:
    """In proportion to the clips' lengths, but none too narrow to read."""
    room = WIDTH - LABELS_WIDTH - COLUMN_GAP * (len(clips) - 1)
    lengths = np.array([scan.frames for scan in clips], float)
    spare = room - MIN_COLUMN_WIDTH * len(clips)
    return [float(width) for width in MIN_COLUMN_WIDTH + spare * lengths / lengths.sum()]


def _column(eggs: Sequence[EggFinding], scan: ClipScan, x: float, width: float) -> SweepColumn:
    return SweepColumn(
        x=x,
        width=width,
        title=clip_title(scan),
        begin=frame_time_text(0, scan.frame_rate),
        end=frame_time_text(scan.frames, scan.frame_rate),
        used_spans=tuple((x + begin, x + end) for begin, end in _used_spans(scan, width)),
        turns=tuple(
            x + width * (turn.frame + 0.5) / scan.frames for turn in scan.tracks.likely_turns if turn.is_likely
        ),
        bars=tuple(
            _bar(row, egg, sighting, x, width / scan.frames)
            for row, egg in enumerate(eggs)
            for sighting in sorted(egg.sightings, key=lambda s: (s.first_frame, s.track))
            if sighting.clip == scan.file
        ),
    )


def _used_spans(scan: ClipScan, width: float) -> list[tuple[float, float]]:
    """Begin and end, from the column's left edge, of the stretches where most frames were used."""
    bins = max(1, min(scan.frames, int(width)))
    total = np.bincount(np.arange(scan.frames) * bins // scan.frames, minlength=bins)
    used = np.bincount(scan.used_frames * bins // scan.frames, minlength=bins)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (2 * used >= total).astype(int), [0]])))
    return [(float(begin) * width / bins, float(end) * width / bins) for begin, end in edges.reshape(-1, 2)]


def _bar(row: int, egg: EggFinding, sighting: Sighting, left: float, per_frame: float) -> SweepBar:
    """left : x of the clip's first frame;  per_frame : units of the drawing"""
    width = max(MIN_BAR_WIDTH, per_frame * (sighting.last_frame + 1 - sighting.first_frame))
    return SweepBar(
        row=row,
        stage=egg.stage,
        x=left + per_frame * sighting.first_frame,
        width=width,
        tick_x=left + per_frame * (sighting.best_frame + 0.5) if width >= MIN_BAR_WIDTH_FOR_TICK else None,
        description=(
            f"{egg.identity} {stored_text(egg.stage)}, "
            f"{frames_text(sighting.clip, sighting.first_frame, sighting.last_frame)}"
        ),
    )


def sweep_plot_svg(plot: SweepPlot) -> str:
    """The drawing as SVG elements, one for each panel, so that a printed page can break between them."""
    height = HEADER_HEIGHT + ROW_HEIGHT * len(plot.numbers) + AXIS_HEIGHT
    drawings = []
    for number, panel in enumerate(plot.panels):
        drawings += [
            f'<svg class="sweep" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
            f'aria-labelledby="sweep-{number}" xmlns="http://www.w3.org/2000/svg">',
            f'<title id="sweep-{number}">{escape(panel.title)}</title>',
            *([] if number else [PATTERNS]),
            *_rows_svg(plot),
            *(element for column in panel.columns for element in _column_svg(column, len(plot.numbers))),
            "</svg>",
        ]
    return "\n".join(drawings)


def _rows_svg(plot: SweepPlot) -> Iterator[str]:
    for row in range(len(plot.numbers)):
        y = HEADER_HEIGHT + ROW_HEIGHT * row
        yield (
            f'<text x="{LABELS_WIDTH - 8:.0f}" y="{y + 10:.1f}" text-anchor="end">{escape(plot.row_label(row))}</text>'
            f'<line class="rule" x1="{LABELS_WIDTH:.0f}" x2="{WIDTH:.0f}" y1="{y + ROW_HEIGHT:.1f}" '
            f'y2="{y + ROW_HEIGHT:.1f}"/>'
        )


def _column_svg(column: SweepColumn, rows: int) -> Iterator[str]:
    axis_y = HEADER_HEIGHT + ROW_HEIGHT * rows + 13
    right = column.x + column.width
    yield f'<text class="clip" x="{column.x:.1f}" y="12">{escape(_fitted_title(column))}</text>'
    yield (
        f'<rect class="column" x="{column.x:.1f}" y="{HEADER_HEIGHT}" width="{column.width:.1f}" '
        f'height="{ROW_HEIGHT * rows}"/>'
    )
    yield f'<text class="axis" x="{column.x:.1f}" y="{axis_y}">{escape(column.begin)}</text>'
    yield f'<text class="axis" x="{right:.1f}" y="{axis_y}" text-anchor="end">{escape(column.end)}</text>'
    for begin, end in column.used_spans:
        yield (
            f'<rect class="used" x="{begin:.1f}" y="{BAND_TOP:g}" width="{end - begin:.1f}" height="{BAND_HEIGHT:g}"/>'
        )
    for turn in column.turns:
        yield f'<path class="turn" d="M{turn:.1f} {BAND_TOP:g}V{HEADER_HEIGHT + ROW_HEIGHT * rows:g}"/>'
    for bar in column.bars:
        top = HEADER_HEIGHT + ROW_HEIGHT * bar.row
        yield (
            f'<rect class="{bar.stage}" x="{bar.x:.1f}" y="{top + 2.5}" width="{bar.width:.1f}" height="8">'
            f"<title>{escape(bar.description)}</title></rect>"
        )
        if bar.tick_x is not None:
            tick = f"M{bar.tick_x:.1f} {top + 1}v11"
            yield f'<path class="edge" d="{tick}"/><path class="tick" d="{tick}"/>'


def _fitted_title(column: SweepColumn) -> str:
    """The title, cut to the column's width."""
    letters = max(8, int(column.width / LETTER_WIDTH))
    return column.title if len(column.title) <= letters else f"{column.title[: letters - 1]}…"
