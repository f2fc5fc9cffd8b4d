"""A table on paper: its cells are read row by row, each under the head of its column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.text_style import RULE_COLOUR, SMALL, TextStyle

__all__ = ["Column", "TableRow", "table_block"]


@dataclass(frozen=True)
class Column:
    """head : its title;  x, width : from the left edge of the table, points"""

    head: str
    x: float
    width: float


@dataclass(frozen=True)
class TableRow:
    """cells : one for each column;  styles : of the cells, SMALL for those beyond its end"""

    cells: Sequence[str]
    styles: Sequence[TextStyle] = ()


def table_block(columns: Sequence[Column], rows: Sequence[TableRow], max_lines: int = 3) -> Block:
    """max_lines : of a cell"""
    table = Block(role="Table")
    heads = Block(role="TR")
    for column in columns:
        head = Block(role="TH")
        head.text(SMALL.truncate(column.head, column.width), (0, 0), SMALL.muted)
        heads.place(head, (column.x, 0))
    table.place(heads, (0, -1))
    y, right = SMALL.leading, columns[-1].x + columns[-1].width
    for row in rows:
        line, height = Block(role="TR"), SMALL.leading
        for place, (column, cell) in enumerate(zip(columns, row.cells, strict=True)):
            style = row.styles[place] if place < len(row.styles) else SMALL
            data = Block(role="TD")
            for number, text in enumerate(style.wrap(cell, column.width, max_lines)):
                data.text(text, (0, number * style.leading), style)
                height = max(height, (number + 1) * style.leading)
            line.place(data, (column.x, 0))
        table.place(line, (0, y))
        y += height + 2
        table.line((0, y - 1), (right, y - 1), Stroke(RULE_COLOUR, 0.5))
    table.height = y
    return table
