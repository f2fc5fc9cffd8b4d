"""The best views of the eggs on paper: with all text if pictures large enough fit above it, else with stage and size.

What does not fit is left out with a note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.text_style import BODY, LEGEND, MUTED, SMALL, TextStyle
from pipeline.report.sheet_content import EggEntry

__all__ = ["GUTTER", "egg_grid_block"]

# Lengths in points.
GUTTER = 8.0  # between columns
ROW_GAP = 4.0
ASPECT = 0.75  # height of a picture over its width
DETAILED_COLUMNS = (4, 5, 6)
MIN_DETAILED_PICTURE_WIDTH = 60.0
SHORT_COLUMNS = (4, 5, 6, 8, 10)  # from the largest pictures to the most
MAX_SIGN_LINES = 3
MAX_LOCATION_LINES = 2
NUMBER = TextStyle(10, "serif")


@dataclass(frozen=True)
class GridLayout:
    """cell_height : with the gap below;  picture_width : at most as wide as a cell, negative if it cannot fit"""

    columns: int
    cell_width: float
    cell_height: float
    picture_width: float
    has_details: bool

    def capacity(self, height: float) -> int:
        """How many eggs fit."""
        return self.columns * max(0, int(height / self.cell_height))


def egg_grid_block(eggs: Sequence[EggEntry], legend: str, full_legend: str, width: float, max_height: float) -> Block:
    """Pictures, text and a legend, in at most that height.

    full_legend : explains the details too, so it is used only where they are shown
    """
    detailed_height = max_height - LEGEND.height(full_legend, width)
    detailed = [_detailed_layout(columns, eggs, width, detailed_height) for columns in DETAILED_COLUMNS]
    layout = max(detailed, key=lambda layout: layout.picture_width)
    if layout.picture_width >= MIN_DETAILED_PICTURE_WIDTH:
        return _grid(eggs, layout, full_legend, width, left_out=0)

    short_height = max_height - LEGEND.height(legend, width)
    short = [_short_layout(columns, width) for columns in SHORT_COLUMNS]
    layout = next((layout for layout in short if layout.capacity(short_height) >= len(eggs)), short[-1])
    shown = len(eggs)
    if layout.capacity(short_height) < shown:
        shown = layout.capacity(short_height - SMALL.leading)  # less a line for the note
    return _grid(eggs[:shown], layout, legend, width, left_out=len(eggs) - shown)


def _detailed_layout(columns: int, eggs: Sequence[EggEntry], width: float, height: float) -> GridLayout:
    """With the largest pictures that let all eggs fit."""
    cell_width = _cell_width(columns, width)
    text_height = max(_details(egg, cell_width).height for egg in eggs) + ROW_GAP
    rows = -(-len(eggs) // columns)
    picture_width = min(cell_width, (height / rows - text_height) / ASPECT)
    cell_height = ASPECT * picture_width + text_height
    return GridLayout(columns, cell_width, cell_height, picture_width, has_details=True)


def _short_layout(columns: int, width: float) -> GridLayout:
    cell_width = _cell_width(columns, width)
    return GridLayout(columns, cell_width, ASPECT * cell_width + 16.0 + ROW_GAP, cell_width, has_details=False)


def _cell_width(columns: int, width: float) -> float:
    return (width - GUTTER * (columns - 1)) / columns


def _grid(eggs: Sequence[EggEntry], layout: GridLayout, legend: str, width: float, left_out: int) -> Block:
    block = Block()
    for number, egg in enumerate(eggs):
        row, column = divmod(number, layout.columns)
        x, y = column * (layout.cell_width + GUTTER), row * layout.cell_height
        block.place(_picture(egg, layout.picture_width), (x, y))
        caption = _details(egg, layout.cell_width) if layout.has_details else _short_caption(egg, layout.cell_width)
        block.place(caption, (x, y + ASPECT * layout.picture_width))
    y = layout.cell_height * -(-len(eggs) // layout.columns)
    if left_out:
        y = block.paragraph(f"and {left_out} more, see report.html", (0, y), width, SMALL.bold)
    block.height = block.paragraph(legend, (0, y), width, LEGEND)
    return block


def _picture(egg: EggEntry, width: float) -> Block:
    height = ASPECT * width
    block = Block(height)
    if egg.jpeg:
        block.picture(egg.jpeg, (0, 0), (width, height))
    else:
        block.box((0, 0), (width, height), Stroke(MUTED, dash=(2.0, 2.0)))
        style = replace(SMALL.muted, size=min(SMALL.size, width / 6))
        block.text("no picture", (width / 2, height / 2 - 5), style, align="middle")
    return block


def _details(egg: EggEntry, width: float) -> Block:
    """All text about an egg."""
    block = Block()
    x = block.text(f"{egg.identity} ", (0, 0), NUMBER)
    block.text(BODY.bold.truncate(f"{egg.stage} {egg.stage_percent}", width - x), (x, 1.5), BODY.bold)
    y = 12.5
    for line in (egg.size, egg.shape_and_depth, egg.confidence):
        if line:
            block.text(SMALL.truncate(line, width), (0, y), SMALL)
            y += SMALL.leading
    if egg.signs:
        y = block.paragraph(egg.signs, (0, y), width, SMALL, MAX_SIGN_LINES)
    block.height = block.paragraph(egg.location, (0, y), width, SMALL.muted, MAX_LOCATION_LINES)
    return block


def _short_caption(egg: EggEntry, width: float) -> Block:
    """Number, stage and size in two lines, which may run a little into the gutter."""
    block, style, room = Block(), TextStyle(min(6.5, width / 7.2)), width + 6
    x = block.text(f"{egg.identity} ", (0, 1), style.bold)
    block.text(style.truncate(egg.stage, room - x), (x, 1), style)
    block.text(style.truncate(egg.short_size, room), (0, 1 + 1.2 * style.size), style)
    return block
