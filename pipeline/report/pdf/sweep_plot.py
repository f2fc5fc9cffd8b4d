"""The plot of when along each sweep every egg was in view, drawn on paper: ``sweep.py`` has it for the screen.

The same drawing with the same meaning, in the same units (720 wide, scaled to the paper), but with rows that grow
thinner where there are many eggs, and no more rows and clips than one page holds.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate.results import EggFinding, ExamFinding, Sighting, Stage
from pipeline.report.pdf.page import GREEN, MUTED, RULE_COLOUR, TEXT_COLOUR, WHITE, PdfPage
from pipeline.report.sightings import sorted_scans
from pipeline.report.sweep_plot import (
    AXIS_HEIGHT,
    CLIPS_PER_PANEL,
    COLUMN_GAP,
    HEADER_HEIGHT,
    LABELS_WIDTH,
    MIN_BAR_WIDTH_FOR_TICK,
    ROW_HEIGHT,
    WIDTH,
    column_widths,
    used_spans,
)
from pipeline.report.text import clip_title, frame_time_text
from pipeline.scan.clip_scan import ClipScan

__all__ = ["draw_sweep_plot"]

USED_GREY = "#6d766f"
MAX_EGGS_IN_TWO_PANELS = 12
MAX_HEIGHT_PT = 215.0  # points that all bands together take at most
MIN_ROW_HEIGHT = 6.0  # units
MIN_NAMED_ROW_HEIGHT = 9.5  # units; thinner rows have their numbers only, in two ranks
LABEL_PT = 7.5  # points


def draw_sweep_plot(
    page: PdfPage, finding: ExamFinding, scans: Sequence[ClipScan], at: tuple[float, float], width: float
) -> float:
    """Draw from y down and give back the y below; y itself where there is nothing to draw."""
    x, y = at
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    clips = [scan for scan in sorted_scans(scans) if scan.status == "done" and scan.frames > 0]
    if not eggs or not clips:
        return y
    bands = [clips[first : first + CLIPS_PER_PANEL] for first in range(0, len(clips), CLIPS_PER_PANEL)]
    drawn = bands[: 2 if len(eggs) <= MAX_EGGS_IN_TWO_PANELS else 1]
    scale = width / WIDTH
    rows_room = MAX_HEIGHT_PT / scale / len(drawn) - HEADER_HEIGHT - AXIS_HEIGHT  # units
    shown = eggs[: int(rows_room / MIN_ROW_HEIGHT)]
    row = min(ROW_HEIGHT, rows_room / len(shown))
    for band in drawn:
        _Band(page, x, y, scale, row).draw(shown, band)
        y += scale * (HEADER_HEIGHT + row * len(shown) + AXIS_HEIGHT)
    left_out = [
        *([f"{len(eggs) - len(shown)} more eggs"] if len(eggs) > len(shown) else []),
        *([f"{len(clips) - sum(map(len, drawn))} more clips"] if len(bands) > len(drawn) else []),
    ]
    if left_out:
        y = page.paragraph(f"and {' and '.join(left_out)}, in report.html", (x, y), width, LABEL_PT, colour=MUTED)
    return y


class _Band:
    """Up to four clips beside each other. x, y : of its corner in points;  scale : points in a unit;  row : units."""

    def __init__(self, page: PdfPage, x: float, y: float, scale: float, row: float) -> None:
        self.page, self.x, self.y, self.scale, self.row = page, x, y, scale, row

    def at(self, across: float, down: float) -> tuple[float, float]:
        """From units in the band to points on the paper."""
        return self.x + self.scale * across, self.y + self.scale * down

    def draw(self, eggs: Sequence[EggFinding], clips: Sequence[ClipScan]) -> None:
        for index, egg in enumerate(eggs):
            top = HEADER_HEIGHT + self.row * index
            self._label(egg, index, top)
            self.page.line(self.at(LABELS_WIDTH, top + self.row), self.at(WIDTH, top + self.row), RULE_COLOUR, 0.4)
        left = LABELS_WIDTH
        for scan, width in zip(clips, column_widths(clips), strict=True):
            self._column(eggs, scan, left, width)
            left += width + COLUMN_GAP

    def _label(self, egg: EggFinding, index: int, top: float) -> None:
        named = self.row >= MIN_NAMED_ROW_HEIGHT
        size = min(LABEL_PT, self.scale * self.row) if named else 6.2
        rank = 0.0 if named or index % 2 == 0 else 16.0  # every other number further out, so that none touch
        x, middle = self.at(LABELS_WIDTH - 8 - rank, top + self.row / 2)
        words = f"{egg.identity} {egg.stage}" if named else str(egg.identity)
        self.page.text(words, (x, middle - 0.62 * size), size, align="right")

    def _column(self, eggs: Sequence[EggFinding], scan: ClipScan, left: float, width: float) -> None:
        page, height = self.page, self.row * len(eggs)
        name = page.truncate(clip_title(scan), self.scale * width, LABEL_PT, "bold")
        page.text(name, self.at(left, 3), LABEL_PT, "bold")
        page.box(self.at(left, HEADER_HEIGHT), (self.scale * width, self.scale * height), colour=MUTED, weight=0.5)
        axis = HEADER_HEIGHT + height + 3
        page.text(frame_time_text(0, scan.frame_rate), self.at(left, axis), LABEL_PT, colour=MUTED)
        end = frame_time_text(scan.frames, scan.frame_rate)
        page.text(end, self.at(left + width, axis), LABEL_PT, colour=MUTED, align="right")
        for begin, stop in used_spans(scan, width):
            page.box(self.at(left + begin, 19), (self.scale * (stop - begin), self.scale * 5), USED_GREY, None)
        for index, egg in enumerate(eggs):
            for sighting in sorted(egg.sightings, key=lambda s: (s.first_frame, s.track)):
                if sighting.clip == scan.file:
                    self._bar(egg.stage, sighting, left, width / scan.frames, HEADER_HEIGHT + self.row * index)

    def _bar(self, stage: Stage, sighting: Sighting, left: float, per_frame: float, top: float) -> None:
        begin = left + per_frame * sighting.first_frame
        length = max(2.0, per_frame * (sighting.last_frame + 1 - sighting.first_frame))
        x, y = self.at(begin, top + 0.2 * self.row)
        across, down = self.scale * length, self.scale * 0.6 * self.row
        self.page.box((x, y), (across, down), GREEN if stage == "calcified" else WHITE, GREEN, 0.6)
        if stage == "thin-shelled":
            for stripe in range(1, int(across / 2.6) + 1):
                foot = min(x + 2.6 * stripe, x + across)
                self.page.line((foot, y), (max(x, foot - 2.0), y + down), GREEN, 0.9)
        elif stage == "follicle":
            for dot in range(int(across / 2.8)):
                self.page.dot((x + 1.6 + 2.8 * dot, y + down / 2), 0.75, GREEN)
        if length >= MIN_BAR_WIDTH_FOR_TICK:
            best = left + per_frame * (sighting.best_frame + 0.5)
            ends = self.at(best, top + 0.05 * self.row), self.at(best, top + 0.95 * self.row)
            self.page.line(*ends, WHITE, 2.4)
            self.page.line(*ends, TEXT_COLOUR, 1.0)
