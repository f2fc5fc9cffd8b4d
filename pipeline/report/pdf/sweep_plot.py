"""The plot of when along each sweep every egg was in view, on paper.

It has the same columns, bars and ticks as on the screen, scaled to the paper. Rows get thinner where there are many
eggs, and eggs and clips that one page cannot hold are left out with a note.
"""

from __future__ import annotations

from pipeline.language.translation import gettext, ngettext, pgettext
from pipeline.report.pdf.block import Block, Point, Stroke
from pipeline.report.pdf.text_style import GREEN, MUTED, RULE_COLOUR, WHITE, TextStyle
from pipeline.report.sweep_plot import (
    AXIS_HEIGHT,
    BAND_HEIGHT,
    BAND_TOP,
    HEADER_HEIGHT,
    LABELS_WIDTH,
    ROW_HEIGHT,
    WIDTH,
    SweepBar,
    SweepColumn,
    SweepPanel,
    SweepPlot,
)

__all__ = ["sweep_plot_block"]

USED_GREY = "#6d766f"
MAX_EGGS_IN_TWO_PANELS = 12
MAX_HEIGHT_PT = 215.0  # of all panels together
MIN_ROW_HEIGHT = 6.0  # units of the drawing
MIN_NAMED_ROW_HEIGHT = 9.5  # units; thinner rows show only their numbers, in two ranks
LABEL = TextStyle(7.5)
THIN_ROW_LABEL = TextStyle(6.2)


def sweep_plot_block(plot: SweepPlot, width: float) -> Block:
    scale = width / WIDTH
    panels = plot.panels[: 2 if len(plot.numbers) <= MAX_EGGS_IN_TWO_PANELS else 1]
    rows_room = MAX_HEIGHT_PT / scale / len(panels) - HEADER_HEIGHT - AXIS_HEIGHT  # units
    rows = min(len(plot.numbers), int(rows_room / MIN_ROW_HEIGHT))
    row_height = min(ROW_HEIGHT, rows_room / rows)
    block = Block()
    for panel in panels:
        drawn = _PanelDrawing(scale, row_height, rows).draw(plot, panel)
        block.place(drawn, (0, block.height))
        block.height += drawn.height
    left_out = []
    if len(plot.numbers) > rows:
        left_out.append(ngettext("{number} more egg", "{number} more eggs", len(plot.numbers) - rows))
    if len(plot.panels) > len(panels):
        clips = sum(len(panel.columns) for panel in plot.panels[len(panels) :])
        left_out.append(ngettext("{number} more clip", "{number} more clips", clips))
    if left_out:
        joined = pgettext("list", " and ").join(left_out)
        note = gettext("and {more}, see report.html", more=joined)
        block.height = block.paragraph(note, (0, block.height), width, LABEL.muted)
    return block


class _PanelDrawing:
    """scale : points in a unit of the drawing;  row_height : units"""

    def __init__(self, scale: float, row_height: float, rows: int) -> None:
        self.scale, self.row_height, self.rows = scale, row_height, rows
        self.block = Block(scale * (HEADER_HEIGHT + row_height * rows + AXIS_HEIGHT), "Figure")

    def scaled(self, x: float, y: float) -> Point:
        """From units of the drawing to points."""
        return self.scale * x, self.scale * y

    def row_top(self, row: int) -> float:
        return HEADER_HEIGHT + self.row_height * row

    def draw(self, plot: SweepPlot, panel: SweepPanel) -> Block:
        bars = "; ".join(bar.description for column in panel.columns for bar in column.bars)
        self.block.alternative_text = f"{panel.title}: {bars or gettext('never')}"
        for row in range(self.rows):
            self._row_label(plot, row)
            y = self.row_top(row + 1)
            self.block.line(self.scaled(LABELS_WIDTH, y), self.scaled(WIDTH, y), Stroke(RULE_COLOUR, 0.4))
        for column in panel.columns:
            self._column(column)
        return self.block

    def _row_label(self, plot: SweepPlot, row: int) -> None:
        is_named = self.row_height >= MIN_NAMED_ROW_HEIGHT
        style = TextStyle(min(LABEL.size, self.scale * self.row_height)) if is_named else THIN_ROW_LABEL
        rank = 0.0 if is_named or row % 2 == 0 else 16.0  # every other number further left, so that they do not touch
        x, middle = self.scaled(LABELS_WIDTH - 8 - rank, self.row_top(row) + self.row_height / 2)
        text = plot.row_label(row) if is_named else str(plot.numbers[row])
        self.block.text(text, (x, middle - style.half_height), style, align="right")

    def _column(self, column: SweepColumn) -> None:
        block, height = self.block, self.row_height * self.rows
        title = LABEL.bold.truncate(column.title, self.scale * column.width)
        block.text(title, self.scaled(column.x, 3), LABEL.bold)
        block.box(self.scaled(column.x, HEADER_HEIGHT), self.scaled(column.width, height), Stroke(MUTED, 0.5))
        axis_y = HEADER_HEIGHT + height + 3
        block.text(column.begin, self.scaled(column.x, axis_y), LABEL.muted)
        block.text(column.end, self.scaled(column.x + column.width, axis_y), LABEL.muted, align="right")
        for begin, end in column.used_spans:
            block.box(self.scaled(begin, BAND_TOP), self.scaled(end - begin, BAND_HEIGHT), None, USED_GREY)
        for turn in column.turns:
            ends = self.scaled(turn, BAND_TOP), self.scaled(turn, HEADER_HEIGHT + height)
            block.line(*ends, Stroke(MUTED, 0.6, dash=(2.0, 1.6)))
        for bar in column.bars:
            if bar.row < self.rows:
                self._bar(bar)

    def _bar(self, bar: SweepBar) -> None:
        block, top = self.block, self.row_top(bar.row)
        x, y = self.scaled(bar.x, top + 0.2 * self.row_height)
        width, height = self.scaled(bar.width, 0.6 * self.row_height)
        block.box((x, y), (width, height), Stroke(GREEN, 0.6), GREEN if bar.stage == "calcified" else WHITE)
        if bar.stage == "thin-shelled":
            for stripe in range(1, int(width / 2.6) + 1):
                foot = min(x + 2.6 * stripe, x + width)
                block.line((foot, y), (max(x, foot - 2.0), y + height), Stroke(GREEN, 0.9))
        elif bar.stage == "follicle":
            for dot in range(int(width / 2.8)):
                block.dot((x + 1.6 + 2.8 * dot, y + height / 2), 0.75, GREEN)
        if bar.tick_x is not None:
            tick = (
                self.scaled(bar.tick_x, top + 0.05 * self.row_height),
                self.scaled(bar.tick_x, top + 0.95 * self.row_height),
            )
            block.line(*tick, Stroke(WHITE, 2.4))
            block.line(*tick, Stroke(weight=1.0))
