"""A part of the page that is laid out and measured before it is drawn, and the document of one page.

A section is laid out on a block of its own, from y = 0 down. Its height is then known, so the page can give the rest of
its height to another section, or leave the block out, before anything is drawn. Blocks can be placed on blocks.

Lengths are points (1/72 inch), x right from the left edge and y down from the top edge of the block or page.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

from pipeline.report.pdf.text_style import ASCENT, TEXT_COLOUR, TextStyle

__all__ = ["A4", "Align", "Block", "Point", "Stroke", "one_page_pdf"]

A4 = (595.28, 841.89)

Align = Literal["left", "middle", "right"]
Point = tuple[float, float]
"""x and y; also width and height of a shape."""


@dataclass(frozen=True)
class Stroke:
    """A line. weight : its thickness in points;  dash : lengths of dash and gap, None for a full line"""

    colour: str = TEXT_COLOUR
    weight: float = 0.7
    dash: tuple[float, float] | None = None

    def use(self, canvas: Any) -> None:
        canvas.setStrokeColor(self.colour)
        canvas.setLineWidth(self.weight)
        canvas.setDash(*(self.dash or ()))


@dataclass
class Block:
    """What to draw, in order, and how much of the page it takes. height : set by whoever lays it out"""

    height: float = 0.0
    _drawings: list[Callable[[Any], None]] = field(default_factory=list)

    def draw(self, canvas: Any) -> None:
        """Draw everything on a reportlab canvas whose origin is the block's top left corner. There, y is up."""
        for drawing in self._drawings:
            drawing(canvas)

    def place(self, block: Block, at: Point) -> None:
        """Put another block on this one, by its top left corner."""

        def drawing(canvas: Any) -> None:
            canvas.saveState()
            canvas.translate(at[0], -at[1])
            block.draw(canvas)
            canvas.restoreState()

        self._drawings.append(drawing)

    def text(self, text: str, at: Point, style: TextStyle, align: Align = "left") -> float:
        """One line whose top is at y. Returns the x where it ends."""
        width = style.width(text)
        x = at[0] - {"left": 0.0, "middle": width / 2, "right": width}[align]
        font = style.font_name(text)

        def drawing(canvas: Any) -> None:
            canvas.setFillColor(style.colour)
            canvas.setFont(font, style.size)
            canvas.drawString(x, -at[1] - ASCENT * style.size, text)

        self._drawings.append(drawing)
        return x + width

    def paragraph(self, text: str, at: Point, width: float, style: TextStyle, max_lines: int = 99) -> float:
        """Text broken into lines of a width, from y down. Returns the y below it."""
        x, y = at
        for line in style.wrap(text, width, max_lines):
            self.text(line, (x, y), style)
            y += style.leading
        return y

    def line(self, begin: Point, end: Point, stroke: Stroke = Stroke()) -> None:
        def drawing(canvas: Any) -> None:
            stroke.use(canvas)
            canvas.line(begin[0], -begin[1], end[0], -end[1])

        self._drawings.append(drawing)

    def box(self, at: Point, size: Point, stroke: Stroke | None = Stroke(), fill: str | None = None) -> None:
        """A rectangle by its top left corner, width and height."""

        def drawing(canvas: Any) -> None:
            if fill:
                canvas.setFillColor(fill)
            if stroke:
                stroke.use(canvas)
            canvas.rect(at[0], -at[1] - size[1], *size, stroke=int(stroke is not None), fill=int(fill is not None))

        self._drawings.append(drawing)

    def ellipse(
        self, at: Point, size: Point, stroke: Stroke = Stroke(), fill: str | None = None, degrees: float = 0.0
    ) -> None:
        """An ellipse by its centre, width and height, then turned clockwise."""

        def drawing(canvas: Any) -> None:
            canvas.saveState()
            canvas.translate(at[0], -at[1])
            canvas.rotate(-degrees)
            if fill:
                canvas.setFillColor(fill)
            stroke.use(canvas)
            if stroke.dash:
                canvas.setLineCap(1)  # round, so that short dashes are dots
            half_width, half_height = size[0] / 2, size[1] / 2
            canvas.ellipse(-half_width, -half_height, half_width, half_height, stroke=1, fill=int(fill is not None))
            canvas.restoreState()

        self._drawings.append(drawing)

    def dot(self, at: Point, radius: float, colour: str) -> None:
        def drawing(canvas: Any) -> None:
            canvas.setFillColor(colour)
            canvas.circle(at[0], -at[1], radius, stroke=0, fill=1)

        self._drawings.append(drawing)

    def triangle(self, corners: tuple[Point, Point, Point], colour: str) -> None:
        """Filled, by its corners."""
        first, *others = corners

        def drawing(canvas: Any) -> None:
            path = canvas.beginPath()
            path.moveTo(first[0], -first[1])
            for x, y in others:
                path.lineTo(x, -y)
            path.close()
            canvas.setFillColor(colour)
            canvas.drawPath(path, stroke=0, fill=1)

        self._drawings.append(drawing)

    def picture(self, jpeg: bytes, at: Point, size: Point) -> None:
        """A JPEG, embedded as it is, with a frame."""

        def drawing(canvas: Any) -> None:
            from reportlab.lib.utils import ImageReader

            canvas.drawImage(ImageReader(io.BytesIO(jpeg)), at[0], -at[1] - size[1], *size)

        self._drawings.append(drawing)
        self.box(at, size, Stroke(weight=0.5))


def one_page_pdf(page: Block, title: str, subject: str) -> bytes:
    """The document. title, subject : as readers show them. The same page gives the same bytes."""
    from reportlab.pdfgen.canvas import Canvas

    file = io.BytesIO()
    # Invariant: neither the time nor chance is part of the document's identity.
    canvas = Canvas(file, pagesize=A4, invariant=1, pageCompression=1, lang="en")
    # A file name that is not valid Unicode has letters that no document can hold.
    canvas.setTitle(title.encode("utf-8", "backslashreplace").decode())
    canvas.setSubject(subject)
    canvas.setCreator("Clutchlight")
    canvas.translate(0, A4[1])
    page.draw(canvas)
    canvas.showPage()
    canvas.save()
    return file.getvalue()
