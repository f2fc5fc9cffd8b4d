"""The best views of the eggs on paper: pictures as large as the height allows, or as many of them as it holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.text_style import BODY, LEGEND, MUTED, SMALL, TextStyle
from pipeline.report.sheet_content import EggEntry

__all__ = ["egg_grid_block"]

GUTTER = 8.0  # points between columns
ASPECT = 0.75  # height of a picture over its width
MAX_SIGN_LINES = 3
MAX_LOCATION_LINES = 2
NUMBER = TextStyle(10, "serif")


@dataclass(frozen=True)
class GridLayout:
    """has_details : whether all text stands below each picture, or only stage and size"""

    columns: int
    has_details: bool

    def picture_width(self, width: float) -> float:
        return (width - GUTTER * (self.columns - 1)) / self.columns


# From the one that shows most to the one that holds most. The first that holds all eggs is used.
LAYOUTS = (
    GridLayout(4, has_details=True),
    GridLayout(5, has_details=True),
    GridLayout(6, has_details=True),
    GridLayout(4, has_details=False),
    GridLayout(5, has_details=False),
    GridLayout(6, has_details=False),
    GridLayout(8, has_details=False),
    GridLayout(10, has_details=False),
)


def egg_grid_block(eggs: Sequence[EggEntry], legend: str, full_legend: str, width: float, max_height: float) -> Block:
    """Pictures, text and a legend in at most that height. Eggs that do not fit are counted in a note.

    full_legend : explains the details, so it is used only where they are shown
    """

    def height_for_rows(layout: GridLayout) -> float:
        return max_height - LEGEND.height(full_legend if layout.has_details else legend, width)

    def capacity(layout: GridLayout, height: float) -> int:
        return layout.columns * max(0, int(height / _cell_height(layout, eggs, width)))

    fitting = (layout for layout in LAYOUTS if capacity(layout, height_for_rows(layout)) >= len(eggs))
    layout = next(fitting, LAYOUTS[-1])
    shown = eggs
    if capacity(layout, height_for_rows(layout)) < len(eggs):
        shown = eggs[: capacity(layout, height_for_rows(layout) - SMALL.leading)]  # with a line for the note

    block, cell_width, cell_height = Block(), layout.picture_width(width), _cell_height(layout, eggs, width)
    for number, egg in enumerate(shown):
        row, column = divmod(number, layout.columns)
        block.place(_cell(egg, cell_width, layout), (column * (cell_width + GUTTER), row * cell_height))
    y = cell_height * -(-len(shown) // layout.columns)
    if len(shown) < len(eggs):
        y = block.paragraph(f"and {len(eggs) - len(shown)} more, see report.html", (0, y), width, SMALL.bold)
    block.height = block.paragraph(full_legend if layout.has_details else legend, (0, y), width, LEGEND)
    return block


def _cell_height(layout: GridLayout, eggs: Sequence[EggEntry], width: float) -> float:
    """Of the highest cell, with a gap below."""
    cell_width = layout.picture_width(width)
    return max(_cell(egg, cell_width, layout).height for egg in eggs) + 4


def _cell(egg: EggEntry, width: float, layout: GridLayout) -> Block:
    block = _picture(egg, width)
    if not layout.has_details:
        _short_caption(block, egg, width)
        return block
    y = block.height + 1
    x = block.text(f"{egg.identity} ", (0, y - 1), NUMBER)
    block.text(BODY.bold.truncate(f"{egg.stage} {egg.stage_percent}", width - x), (x, y + 0.5), BODY.bold)
    y += 11.5
    for line in (egg.size, egg.shape_and_depth, egg.confidence):
        if line:
            block.text(SMALL.truncate(line, width), (0, y), SMALL)
            y += SMALL.leading
    if egg.signs:
        y = block.paragraph(egg.signs, (0, y), width, SMALL, MAX_SIGN_LINES)
    block.height = block.paragraph(egg.location, (0, y), width, SMALL.muted, MAX_LOCATION_LINES)
    return block


def _picture(egg: EggEntry, width: float) -> Block:
    height = ASPECT * width
    block = Block(height=height)
    if egg.jpeg:
        block.picture(egg.jpeg, (0, 0), (width, height))
    else:
        block.box((0, 0), (width, height), Stroke(MUTED, dash=(2.0, 2.0)))
        style = replace(SMALL.muted, size=min(SMALL.size, width / 6))
        block.text("no picture", (width / 2, height / 2 - 5), style, align="middle")
    return block


def _short_caption(block: Block, egg: EggEntry, width: float) -> None:
    """Number, stage and size in two lines, which may run a little into the gutter."""
    style, room = TextStyle(min(6.5, width / 7.2)), width + 6
    x = block.text(f"{egg.identity} ", (0, block.height + 1), style.bold)
    block.text(style.truncate(egg.stage, room - x), (x, block.height + 1), style)
    block.text(style.truncate(egg.short_size, room), (0, block.height + 1 + 1.2 * style.size), style)
    block.height += 16.0
