"""The recordings on paper, as tables of so many rows that each fits a page."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.language.translation import gettext, mark
from pipeline.report.pdf.block import Block
from pipeline.report.pdf.page_flow import WIDTH
from pipeline.report.pdf.table import Column, TableRow, table_block
from pipeline.report.pdf.text_style import BODY, SMALL
from pipeline.report.sheet_content import SheetLabels
from pipeline.report.sheet_entries import ClipEntry

__all__ = ["recordings_blocks"]

ROWS = 12  # of one table
COLUMNS = (  # title, left edge and width, points
    (mark("Clip"), 0.0, 120.0),
    (mark("Window"), 126.0, 50.0),
    (mark("Length"), 180.0, 44.0),
    (mark("Frames used"), 230.0, 66.0),
    (mark("Scale"), 302.0, 66.0),
    (mark("Outcome"), 374.0, WIDTH - 374.0),
)


def recordings_blocks(clips: Sequence[ClipEntry], labels: SheetLabels) -> list[Block]:
    if not clips:
        block = Block()
        block.height = block.paragraph(labels.no_recordings, (0, 0), WIDTH, BODY)
        return [block]
    return [_table(clips[first : first + ROWS]) for first in range(0, len(clips), ROWS)]


def _table(clips: Sequence[ClipEntry]) -> Block:
    rows = []
    for clip in clips:
        outcome = f"{clip.outcome_label} {clip.reason}" if clip.reason else clip.outcome
        cells = (clip.file, clip.window, clip.length, clip.used, clip.scale, outcome)
        rows.append(TableRow(cells, (SMALL.bold,)))
    return table_block([Column(gettext(head), x, width) for head, x, width in COLUMNS], rows)
