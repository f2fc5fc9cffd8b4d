"""How uncertain a number is, as a small bar on paper; ``pipeline.report.range_bar`` draws it for a screen."""

from __future__ import annotations

from pipeline.report.pdf.block import Block, Stroke
from pipeline.report.pdf.text_style import RULE_COLOUR, TEXT_COLOUR
from pipeline.report.range_bar import RangeBar

__all__ = ["range_bar_block"]

RANGE_COLOUR = "#85a297"  # the house's green, lighter, so that the mark stands out
HEIGHT = 6.0  # points


def range_bar_block(bar: RangeBar, width: float) -> Block:
    block = Block(HEIGHT, "Figure", bar.text)
    middle = HEIGHT / 2
    block.line((0, middle), (width, middle), Stroke(RULE_COLOUR, 0.6))
    block.line((width * bar.low, middle), (width * bar.high, middle), Stroke(RANGE_COLOUR, 3.2))
    block.line((width * bar.value, 0), (width * bar.value, HEIGHT), Stroke(TEXT_COLOUR, 1.2))
    return block
