"""The best views of the eggs on paper, in rows, each picture large enough to judge it and with all its text below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from models.stages import Stage
from pipeline.language.translation import gettext
from pipeline.report.egg_pictures import HEIGHT, STAGE_DASHES_PX, WIDTH, EggCutout
from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.range_bar import range_bar_block
from pipeline.report.pdf.text_style import BODY, GREEN, MUTED, SMALL, TextStyle
from pipeline.report.sheet_entries import EggEntry, UncountedEntry, ViewLink

__all__ = ["COLUMNS", "GUTTER", "egg_rows", "picture_width"]

GUTTER = 9.0  # points between columns
ROW_GAP = 7.0  # points
COLUMNS = 4  # of the widest picture that leaves eight eggs on one page: 44 mm
MAX_VIEWS = 4  # places in view that are listed below a picture; report.html has all
NUMBER = TextStyle(10, "serif")
BAR = TextStyle(6.5, "bold", "#f5f5f5")
LINE, EDGE = "#f5f5f5", "#0c0c0c"


def picture_width(width: float) -> float:
    """Of each picture, in a grid of that width, points."""
    return (width - GUTTER * (COLUMNS - 1)) / COLUMNS


def egg_rows(entries: Sequence[EggEntry | UncountedEntry], width: float) -> list[Block]:
    """Rows of pictures with their text, to be put on one page or on several."""
    cell_width = picture_width(width)
    rows = []
    for first in range(0, len(entries), COLUMNS):
        row = Block(role="L")
        for column, entry in enumerate(entries[first : first + COLUMNS]):
            cell = _cell(entry, cell_width)
            row.place(cell, (column * (cell_width + GUTTER), 0))
            row.height = max(row.height, cell.height + ROW_GAP)
        rows.append(row)
    return rows


def _cell(entry: EggEntry | UncountedEntry, width: float) -> Block:
    item, body = Block(role="LI"), Block(role="LBody")
    picture = _picture(entry, width)
    caption = _egg_caption(entry, width) if isinstance(entry, EggEntry) else _uncounted_caption(entry, width)
    body.place(picture, (0, 0))
    body.place(caption, (0, picture.height + 1))
    item.place(body, (0, 0))
    item.height = picture.height + 1 + caption.height
    return item


def _picture(entry: EggEntry | UncountedEntry, width: float) -> Block:
    height = width * HEIGHT / WIDTH
    block = Block(height, "Figure", entry.alternative_text)
    if entry.cutout is None:
        block.box((0, 0), (width, height), Stroke(MUTED, dash=(2.0, 2.0)))
        style = replace(SMALL.muted, size=min(SMALL.size, width / 6))
        block.text(gettext("no picture kept"), (width / 2, height / 2 - 5), style, align="middle")
        return block
    block.picture(entry.cutout.jpeg, (0, 0), (width, height))
    block.place(_lines(entry.cutout, entry.stage, width / WIDTH), (0, 0), clip=(width, height))
    return block


def _lines(cutout: EggCutout, stage: Stage, scale: float) -> Block:
    """Outline and scale bar. scale : points in a px of the cutout"""
    block = Block()
    cx, cy, a, b, degrees = cutout.line
    dash, gap = STAGE_DASHES_PX[stage]
    dashes = (scale * dash, scale * gap) if gap else None
    for colour, weight in ((EDGE, 5.0), (LINE, 2.4)):
        stroke = Stroke(colour, scale * weight, dashes)
        block.ellipse((scale * cx, scale * cy), (2 * scale * a, 2 * scale * b), stroke, degrees=degrees)
    if cutout.bar_mm is not None and cutout.bar_px is not None:
        right, y = scale * (WIDTH - 14), scale * (HEIGHT - 14)
        left = right - scale * cutout.bar_px
        text = f"{cutout.bar_mm} mm"
        middle = min((left + right) / 2, right - BAR.width(text) / 2)
        block.box((min(left, middle - BAR.width(text) / 2) - 3, y - 10), (scale * WIDTH, 20), None, EDGE)
        block.line((left, y), (right, y), Stroke(LINE, 0.8))
        for x in (left, right):
            block.line((x, y - 1.4), (x, y + 1.4), Stroke(LINE, 0.8))
        block.text(text, (middle, y - 9.5), BAR, align="middle")
    return block


def _egg_caption(egg: EggEntry, width: float) -> Block:
    block = Block()
    title = Block(role="P")
    x = title.text(f"{egg.identity} ", (0, 0), NUMBER)
    name = f"{egg.stage_name} {egg.stage_percent}".rstrip()
    title.text(BODY.bold.truncate(name, width - x), (x, 1.5), BODY.bold)
    block.place(title, (0, 0))
    y = 12.5
    if egg.verdict:
        y = block.paragraph(egg.verdict, (0, y), width, replace(SMALL.bold, colour=GREEN))
    for line in (egg.appearance, egg.size):
        y = block.paragraph(line, (0, y), width, SMALL) if line else y
    if egg.size_bar:
        block.place(range_bar_block(egg.size_bar, 0.7 * width), (0, y + 1))
        y += 8
    for line in (egg.shape_and_depth, egg.confidence, egg.signs):
        y = block.paragraph(line, (0, y), width, SMALL) if line else y
    y = block.paragraph(egg.location, (0, y), width, SMALL.muted)
    block.height = _views(block, egg.views, y, width)
    return block


def _uncounted_caption(entry: UncountedEntry, width: float) -> Block:
    block = Block()
    title = Block(role="P")
    x = title.text(f"{entry.identity} ", (0, 0), NUMBER)
    title.text(BODY.bold.truncate(entry.name, width - x), (x, 1.5), BODY.bold)
    block.place(title, (0, 0))
    y = block.paragraph(entry.confidence, (0, 12.5), width, SMALL)
    if entry.verdict:
        y = block.paragraph(entry.verdict, (0, y), width, replace(SMALL.bold, colour=GREEN))
    block.height = _views(block, entry.views, y, width)
    return block


def _views(block: Block, views: Sequence[ViewLink], y: float, width: float) -> float:
    """Where it was in view; each place leads into the review. Returns the y below."""
    for view in views[:MAX_VIEWS]:
        style = replace(SMALL, colour=GREEN) if view.address else SMALL.muted
        y = block.paragraph(view.text, (0, y), width, style, link=view.address)
    if len(views) > MAX_VIEWS:
        more = gettext("and {number} more, see report.html", number=len(views) - MAX_VIEWS)
        y = block.paragraph(more, (0, y), width, SMALL.muted)
    return y
