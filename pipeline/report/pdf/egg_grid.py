"""The best views of the eggs on paper, with as much text below them as leaves space for pictures of a fair size.

That is all text, or all but the signs of a shell, or only stage and size. Eggs that do not fit are counted in a note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.text_style import BODY, LEGEND, MUTED, SMALL, TextStyle
from pipeline.report.sheet_entries import EggEntry, EggLegends

__all__ = ["GUTTER", "egg_grid_block"]

# Lengths in points.
GUTTER = 8.0  # between columns
ROW_GAP = 4.0
ASPECT = 0.75  # height of a picture over its width
DETAILED_COLUMNS = (4, 5, 6)
MIN_DETAILED_PICTURE_WIDTH = 60.0  # with smaller pictures, some of the text is left out
SHORT_COLUMNS = (4, 5, 6, 8, 10)  # from the largest pictures to the most
MAX_APPEARANCE_LINES = 2
MAX_SIGN_LINES = 3
MAX_LOCATION_LINES = 2
NUMBER = TextStyle(10, "serif")


CellText = Literal["full", "without signs", "short"]


@dataclass(frozen=True)
class GridLayout:
    """cell_height : with the gap below;  picture_width : at most as wide as a cell, negative if it cannot fit"""

    columns: int
    cell_width: float
    cell_height: float
    picture_width: float
    text: CellText

    def capacity(self, height: float) -> int:
        """How many eggs fit."""
        return self.columns * max(0, int(height / self.cell_height))


def egg_grid_block(eggs: Sequence[EggEntry], legends: EggLegends, width: float, max_height: float) -> Block:
    """Pictures, text and a legend, in at most that height."""
    texts: tuple[tuple[CellText, str], ...] = (("full", legends.full), ("without signs", legends.without_signs))
    for text, legend in texts:
        height = max_height - LEGEND.height(legend, width)
        layouts = [_detailed_layout(columns, text, eggs, width, height) for columns in DETAILED_COLUMNS]
        layout = max(layouts, key=lambda layout: layout.picture_width)
        if layout.picture_width >= MIN_DETAILED_PICTURE_WIDTH:
            return _grid(eggs, layout, legend, width, left_out=0)

    height = max_height - LEGEND.height(legends.short, width)
    layouts = [_short_layout(columns, width) for columns in SHORT_COLUMNS]
    layout = next((layout for layout in layouts if layout.capacity(height) >= len(eggs)), layouts[-1])
    shown = len(eggs)
    if layout.capacity(height) < shown:
        shown = layout.capacity(height - SMALL.leading)  # less a line for the note
    return _grid(eggs[:shown], layout, legends.short, width, left_out=len(eggs) - shown)


def _detailed_layout(columns: int, text: CellText, eggs: Sequence[EggEntry], width: float, height: float) -> GridLayout:
    """With the largest pictures that let all eggs fit."""
    cell_width = _cell_width(columns, width)
    text_height = max(_caption(egg, cell_width, text).height for egg in eggs) + ROW_GAP
    rows = -(-len(eggs) // columns)
    picture_width = min(cell_width, (height / rows - text_height) / ASPECT)
    return GridLayout(columns, cell_width, ASPECT * picture_width + text_height, picture_width, text)


def _short_layout(columns: int, width: float) -> GridLayout:
    cell_width = _cell_width(columns, width)
    return GridLayout(columns, cell_width, ASPECT * cell_width + 16.0 + ROW_GAP, cell_width, "short")


def _cell_width(columns: int, width: float) -> float:
    return (width - GUTTER * (columns - 1)) / columns


def _grid(eggs: Sequence[EggEntry], layout: GridLayout, legend: str, width: float, left_out: int) -> Block:
    block = Block()
    for number, egg in enumerate(eggs):
        row, column = divmod(number, layout.columns)
        x, y = column * (layout.cell_width + GUTTER), row * layout.cell_height
        block.place(_picture(egg, layout.picture_width), (x, y))
        block.place(_caption(egg, layout.cell_width, layout.text), (x, y + ASPECT * layout.picture_width))
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


def _caption(egg: EggEntry, width: float, text: CellText) -> Block:
    """The text below a picture."""
    if text == "short":
        return _short_caption(egg, width)
    block = Block()
    x = block.text(f"{egg.identity} ", (0, 0), NUMBER)
    block.text(BODY.bold.truncate(f"{egg.stage} {egg.stage_percent}", width - x), (x, 1.5), BODY.bold)
    y = 12.5
    if egg.appearance:
        y = block.paragraph(egg.appearance, (0, y), width, SMALL, MAX_APPEARANCE_LINES)
    for line in (egg.size, egg.shape_and_depth, egg.confidence):
        if line:
            style = SMALL.shrunk(line, width)
            block.text(style.truncate(line, width), (0, y), style)
            y += SMALL.leading
    if egg.signs and text == "full":
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
