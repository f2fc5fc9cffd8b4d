"""Her other exams on paper: the sentences, a table of the latest exams, and the timeline next to it.

The timeline has the same marks with the same meaning as on the screen, in its units scaled to the paper.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.language.translation import gettext
from pipeline.report.history_text import HistoryRow
from pipeline.report.pdf.block import Align, Block, Point, Stroke
from pipeline.report.pdf.table import Column, TableRow, table_block
from pipeline.report.pdf.text_style import BODY, GREEN, MUTED, RULE_COLOUR, SMALL, TEXT_COLOUR, WHITE, TextStyle
from pipeline.report.sheet_content import HistoryContent, SheetLabels
from pipeline.report.timeline import BOTTOM, HEIGHT, LEFT, RIGHT, WIDTH, CountMark, Timeline

__all__ = ["history_block"]

MAX_ROWS = 5
COLUMNS = ((0.0, 70.0), (74.0, 70.0), (148.0, 66.0), (218.0, 50.0), (272.0, 52.0))  # left edge and width, points
TABLE_WIDTH = sum(COLUMNS[-1])
TIMELINE_WIDTH = 205.0  # points
AXIS = TextStyle(6.6)


def history_block(history: HistoryContent, labels: SheetLabels, width: float) -> Block:
    block = Block()
    y = 0.0
    for sentence in history.sentences:
        y = block.paragraph(sentence, (0, y), width, BODY)
    y += 3
    if history.timeline is None:
        block.height = y
        return block
    table = _table(history.rows, labels)
    drawing = _TimelineDrawing().draw(history.timeline)
    block.place(table, (0, y + 2))
    block.place(drawing, (width - TIMELINE_WIDTH, y))
    block.height = y + max(2 + table.height, drawing.height)
    return block


def _table(rows: Sequence[HistoryRow], labels: SheetLabels) -> Block:
    heads = (gettext("Exam"), gettext("Shelled eggs"), gettext("Follicles"), gettext("Stage"), labels.passed)
    columns = [Column(head, x, width) for head, (x, width) in zip(heads, COLUMNS, strict=True)]
    shown = [
        TableRow(
            (row.date, row.shelled, row.follicles, row.stage, row.passed),
            (SMALL.bold,) * 5 if row.is_current_exam else (),
        )
        for row in rows[:MAX_ROWS]
    ]
    block = Block()
    table = table_block(columns, shown, max_lines=1)
    block.place(table, (0, 0))
    block.height = table.height
    if len(rows) > MAX_ROWS:
        more = gettext("and {number} more, see report.html", number=len(rows) - MAX_ROWS)
        block.height = block.paragraph(more, (0, block.height), TABLE_WIDTH, SMALL.bold)
    return block


class _TimelineDrawing:
    def __init__(self) -> None:
        self.scale = TIMELINE_WIDTH / WIDTH
        self.block = Block(self.scale * HEIGHT + 1.6 * AXIS.size, "Figure")

    def scaled(self, x: float, y: float) -> Point:
        """From units of the timeline to points."""
        return self.scale * x, self.scale * y

    def draw(self, drawn: Timeline) -> Block:
        self.block.alternative_text = drawn.title
        for y, eggs in drawn.ticks:
            self.block.line(self.scaled(LEFT, y), self.scaled(RIGHT, y), Stroke(RULE_COLOUR, 0.5))
            self._text(f"{eggs}", LEFT - 6, y, "right", MUTED)
        for x, text in drawn.dates:
            self._text(text, x, BOTTOM + 24, "middle", MUTED)
        for x, text in drawn.passed:
            corners = (self.scaled(x - 4, BOTTOM + 3), self.scaled(x + 4, BOTTOM + 3), self.scaled(x, BOTTOM + 10))
            self.block.triangle(corners, TEXT_COLOUR)
            self._text(text, x + 6, BOTTOM + 7, "left", TEXT_COLOUR)
        for x in drawn.unscanned_x:
            self._text("?", x, BOTTOM - 6, "middle", MUTED)
        for mark in drawn.marks:
            self._mark(mark)
        key = gettext("dot: shelled eggs · ring: follicles · line: 90 % range · triangle: left her")
        self.block.text(key, self.scaled(WIDTH, HEIGHT + 3), AXIS.muted, align="right")
        return self.block

    def _mark(self, mark: CountMark) -> None:
        stroke = Stroke(GREEN, 1.0, None if mark.is_shelled else (1.2, 1.2))
        self.block.line(self.scaled(mark.x, mark.high), self.scaled(mark.x, mark.low), stroke)
        self.block.dot(self.scaled(mark.x, mark.y), 2.3, GREEN)
        if not mark.is_shelled:
            self.block.dot(self.scaled(mark.x, mark.y), 1.4, WHITE)
        if not mark.number:  # on the line of 0 eggs, where a number would be in the way
            return
        side = -6.5 if mark.is_shelled else 6.5
        self._text(f"{mark.number}", mark.x + side, mark.y, "right" if mark.is_shelled else "left", TEXT_COLOUR)

    def _text(self, text: str, x: float, middle: float, align: Align, colour: str) -> None:
        across, down = self.scaled(x, middle)
        self.block.text(text, (across, down - AXIS.half_height), TextStyle(AXIS.size, colour=colour), align)
