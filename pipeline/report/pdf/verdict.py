"""The count on the left and what to do on the right; what does not fit there goes below both."""

from __future__ import annotations

from pipeline.estimate.results import Flag
from pipeline.language.stored_text import stored_text
from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.page_flow import WIDTH
from pipeline.report.pdf.range_bar import range_bar_block
from pipeline.report.pdf.text_style import BODY, GREEN, RED, SMALL, TITLE, WHITE, TextStyle
from pipeline.report.sheet_content import SheetContent
from pipeline.report.verdict import Verdict

__all__ = ["verdict_blocks"]

LEFT_WIDTH = 0.45 * WIDTH
GAP = 20.0
FLAG_X = 50.0  # of the text, from the left edge of its severity; more where a language has long words
MAX_LINES_BESIDE = 16  # of the flags beside the count
RULE = Stroke()


def verdict_blocks(content: SheetContent) -> list[Block]:
    """The first with count and flags, then one for each flag that is left."""
    block = Block()
    block.line((0, 0), (WIDTH, 0), Stroke(weight=2))
    count, width = _count(content.verdict), WIDTH - LEFT_WIDTH - GAP
    beside, lines = Block(), 0
    text_x = max([FLAG_X, *(_label_width(flag) + 6 for flag in content.flags)])
    heading = Block(role="H2")
    heading.text(content.labels.actions, (0, 0), TITLE)
    beside.place(heading, (0, -2))
    beside.line((0, 11.5), (width, 11.5), RULE)
    beside.height = 15.0
    if not content.flags:
        beside.height = beside.paragraph(content.labels.no_flags, (0, beside.height), width, BODY)
    shown = 0
    for flag in content.flags:
        lines += len(BODY.wrap(_text(flag), width - text_x))
        if shown and lines > MAX_LINES_BESIDE:
            break
        drawn = _flag(flag, width, text_x)
        beside.place(drawn, (0, beside.height))
        beside.height += drawn.height
        shown += 1
    block.place(count, (0, 6))
    block.place(beside, (LEFT_WIDTH + GAP, 6))
    block.height = 6 + max(count.height, beside.height, 46) + 5
    return [block, *(_flag(flag, WIDTH, text_x) for flag in content.flags[shown:])]


def _count(verdict: Verdict) -> Block:
    block, width = Block(), LEFT_WIDTH
    if verdict.is_number:
        x, y = block.text(verdict.figure, (0, -9), TextStyle(50, "serif", GREEN)) + 12, 2.0
    else:  # no reassuring green
        block.text(verdict.figure, (0, -4), TextStyle(26, "serif"))
        x, y = 0.0, 29.0
    if verdict.label:
        y = block.paragraph(f"{verdict.label}; {verdict.range}", (x, y), width - x, TextStyle(10.5, "bold"))
    if verdict.bar:
        block.place(range_bar_block(verdict.bar, 110.0), (x, y + 2))
        y += 10
    if verdict.uncertain:
        y = block.paragraph(verdict.uncertain, (x, y + 1), width - x, BODY.bold)
    y = block.paragraph(verdict.explanation, (x, y + 1), width - x, BODY.muted)
    if verdict.program:
        y = block.paragraph(verdict.program, (x, y + 1), width - x, BODY.muted)
    block.height = y
    return block


def _text(flag: Flag) -> str:
    return f"{flag.reason} {flag.advice}".rstrip()


def _label_width(flag: Flag) -> float:
    return SMALL.bold.width(stored_text(flag.severity)) + 8


def _flag(flag: Flag, width: float, text_x: float) -> Block:
    """White on red for the vet today, boxed for a check, dotted for a note."""
    block, label_width = Block(), _label_width(flag)
    if flag.severity == "vet today":
        style = TextStyle(SMALL.size, "bold", WHITE)
        block.box((0, 0), (label_width, 10.5), Stroke(RED), RED)
    elif flag.severity == "check":
        style = SMALL.bold
        block.box((0, 0), (label_width, 10.5), RULE)
    else:
        style = SMALL
        block.box((0, 0), (label_width, 10.5), Stroke(dash=(1.0, 1.5)))
    block.text(stored_text(flag.severity), (4, 0.5), style)
    block.height = block.paragraph(_text(flag), (text_x, 0), width - text_x, BODY) + 2.5
    return block
