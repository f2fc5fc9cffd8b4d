"""The plot of when along each sweep every egg was in view, drawn on paper: ``sweep.py`` has it for the screen.

The same drawing with the same meaning, in the same units (720 wide, scaled to the paper), but with rows that grow
thinner where there are many eggs, and no more rows and clips than one page holds.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate.finding import EggFinding, ExamFinding, Sighting, Stage
from pipeline.report.pdf.paper import INK, MARSH, RULE, SOFT, WHITE, Paper
from pipeline.report.sightings import in_order
from pipeline.report.sweep_plot import (
    CLIPS_IN_A_BAND,
    FOOT,
    GAP,
    HEAD,
    LABELS,
    ROW,
    SHORTEST_WITH_TICK,
    WIDTH,
    column_widths,
    used_spans,
)
from pipeline.report.text import clip_words, moment_words
from pipeline.scan.clip_scan import ClipScan

__all__ = ["draw_sweep"]

USED_GREY = "#6d766f"
MOST_EGGS_IN_TWO_BANDS = 12
ROOM = 215.0  # points that all bands together take at most
THINNEST = 6.0  # units
NAMED_ROW = 9.5  # units; thinner rows have their numbers only, in two ranks
LETTERS = 7.5  # points


def draw_sweep(
    paper: Paper, finding: ExamFinding, scans: Sequence[ClipScan], at: tuple[float, float], width: float
) -> float:
    """Draw from y down and give back the y below; y itself where there is nothing to draw."""
    x, y = at
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    clips = [scan for scan in in_order(scans) if scan.status == "done" and scan.frames > 0]
    if not eggs or not clips:
        return y
    bands = [clips[first : first + CLIPS_IN_A_BAND] for first in range(0, len(clips), CLIPS_IN_A_BAND)]
    drawn = bands[: 2 if len(eggs) <= MOST_EGGS_IN_TWO_BANDS else 1]
    scale = width / WIDTH
    rows_room = ROOM / scale / len(drawn) - HEAD - FOOT  # units
    shown = eggs[: int(rows_room / THINNEST)]
    row = min(ROW, rows_room / len(shown))
    for band in drawn:
        _Band(paper, x, y, scale, row).draw(shown, band)
        y += scale * (HEAD + row * len(shown) + FOOT)
    left_out = [
        *([f"{len(eggs) - len(shown)} more eggs"] if len(eggs) > len(shown) else []),
        *([f"{len(clips) - sum(map(len, drawn))} more clips"] if len(bands) > len(drawn) else []),
    ]
    if left_out:
        y = paper.paragraph(f"and {' and '.join(left_out)}, in report.html", (x, y), width, LETTERS, ink=SOFT)
    return y


class _Band:
    """Up to four clips beside each other. x, y : of its corner in points;  scale : points in a unit;  row : units."""

    def __init__(self, paper: Paper, x: float, y: float, scale: float, row: float) -> None:
        self.paper, self.x, self.y, self.scale, self.row = paper, x, y, scale, row

    def at(self, across: float, down: float) -> tuple[float, float]:
        """From units in the band to points on the paper."""
        return self.x + self.scale * across, self.y + self.scale * down

    def draw(self, eggs: Sequence[EggFinding], clips: Sequence[ClipScan]) -> None:
        for index, egg in enumerate(eggs):
            top = HEAD + self.row * index
            self._label(egg, index, top)
            self.paper.line(self.at(LABELS, top + self.row), self.at(WIDTH, top + self.row), RULE, 0.4)
        left = LABELS
        for scan, width in zip(clips, column_widths(clips), strict=True):
            self._column(eggs, scan, left, width)
            left += width + GAP

    def _label(self, egg: EggFinding, index: int, top: float) -> None:
        named = self.row >= NAMED_ROW
        size = min(LETTERS, self.scale * self.row) if named else 6.2
        rank = 0.0 if named or index % 2 == 0 else 16.0  # every other number further out, so that none touch
        x, middle = self.at(LABELS - 8 - rank, top + self.row / 2)
        words = f"{egg.identity} {egg.stage}" if named else str(egg.identity)
        self.paper.text(words, (x, middle - 0.62 * size), size, align="right")

    def _column(self, eggs: Sequence[EggFinding], scan: ClipScan, left: float, width: float) -> None:
        paper, height = self.paper, self.row * len(eggs)
        name = paper.cut(clip_words(scan), self.scale * width, LETTERS, "bold")
        paper.text(name, self.at(left, 3), LETTERS, "bold")
        paper.box(self.at(left, HEAD), (self.scale * width, self.scale * height), ink=SOFT, weight=0.5)
        axis = HEAD + height + 3
        paper.text(moment_words(0, scan.frame_rate), self.at(left, axis), LETTERS, ink=SOFT)
        end = moment_words(scan.frames, scan.frame_rate)
        paper.text(end, self.at(left + width, axis), LETTERS, ink=SOFT, align="right")
        for begin, stop in used_spans(scan, width):
            paper.box(self.at(left + begin, 19), (self.scale * (stop - begin), self.scale * 5), USED_GREY, None)
        for index, egg in enumerate(eggs):
            for sighting in sorted(egg.sightings, key=lambda s: (s.first_frame, s.track)):
                if sighting.clip == scan.file:
                    self._bar(egg.stage, sighting, left, width / scan.frames, HEAD + self.row * index)

    def _bar(self, stage: Stage, sighting: Sighting, left: float, per_frame: float, top: float) -> None:
        begin = left + per_frame * sighting.first_frame
        length = max(2.0, per_frame * (sighting.last_frame + 1 - sighting.first_frame))
        x, y = self.at(begin, top + 0.2 * self.row)
        across, down = self.scale * length, self.scale * 0.6 * self.row
        self.paper.box((x, y), (across, down), MARSH if stage == "calcified" else WHITE, MARSH, 0.6)
        if stage == "thin-shelled":
            for stripe in range(1, int(across / 2.6) + 1):
                foot = min(x + 2.6 * stripe, x + across)
                self.paper.line((foot, y), (max(x, foot - 2.0), y + down), MARSH, 0.9)
        elif stage == "follicle":
            for dot in range(int(across / 2.8)):
                self.paper.dot((x + 1.6 + 2.8 * dot, y + down / 2), 0.75, MARSH)
        if length >= SHORTEST_WITH_TICK:
            best = left + per_frame * (sighting.best_frame + 0.5)
            ends = self.at(best, top + 0.05 * self.row), self.at(best, top + 0.95 * self.row)
            self.paper.line(*ends, WHITE, 2.4)
            self.paper.line(*ends, INK, 1.0)
