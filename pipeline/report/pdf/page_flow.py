"""Blocks one below the other, on as many pages as they need, each with its number at the foot."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.language.translation import gettext
from pipeline.report.pdf.block import A4, Block, Stroke
from pipeline.report.pdf.text_style import RULE_COLOUR, SMALL, TITLE

__all__ = ["LEFT", "WIDTH", "PageFlow", "section_blocks"]

LEFT, TOP, BOTTOM = 31.0, 24.0, A4[1] - 40.0  # margins of the page, points
WIDTH = A4[0] - 2 * LEFT
FOOT_Y = A4[1] - 34.0
TITLE_HEIGHT = 25.0
RULE = Stroke()


@dataclass
class PageFlow:
    """name, caution : two lines in the foot of every page"""

    name: str
    caution: str
    _pages: list[Block] = field(default_factory=lambda: [Block(height=A4[1])])
    _y: float = TOP

    def add(self, block: Block) -> None:
        """Put a block below the others, or on the next page."""
        if self._y > TOP and self._y + block.height > BOTTOM:
            self._pages.append(Block(height=A4[1]))
            self._y = TOP
        self._pages[-1].place(block, (LEFT, self._y))
        self._y += block.height

    def finished(self) -> list[Block]:
        """The pages with their feet."""
        for number, page in enumerate(self._pages, 1):
            foot = Block(role="Artifact")
            place = gettext("page {number} of {pages}", number=number, pages=len(self._pages))
            foot.line((0, 0), (WIDTH, 0), Stroke(RULE_COLOUR, 0.5))
            foot.text(SMALL.truncate(self.name, WIDTH - 90), (0, 3), SMALL.muted)
            foot.text(SMALL.truncate(self.caution, WIDTH), (0, 11), SMALL.muted)
            foot.text(place, (WIDTH, 3), SMALL.muted, align="right")
            page.place(foot, (LEFT, FOOT_Y))
        return self._pages


def section_blocks(title: str, parts: list[Block], hint: str = "") -> list[Block]:
    """The parts, the first of them below a title with a line, from which it is not parted."""
    first, *others = parts
    block = Block(height=TITLE_HEIGHT + first.height)
    heading = Block(role="H2")
    end = heading.text(title, (0, 0), TITLE)
    block.place(heading, (0, 8))
    if hint:
        block.text(SMALL.truncate(hint, WIDTH - end - 8), (end + 8, 10), SMALL.muted)
    block.line((0, 21.5), (WIDTH, 21.5), RULE)
    block.place(first, (0, TITLE_HEIGHT))
    return [block, *others]
