"""A part of the page that is laid out and measured before it is drawn, and the document of all pages.

A section is laid out on a block of its own, from y = 0 down. Its height is then known, so it can be moved to the next
page before anything is drawn. Blocks can be placed on blocks.

Lengths are points (1/72 inch), x right from the left edge and y down from the top edge of the block or page.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import Any, Literal

from pipeline.report.pdf.structure import Pen
from pipeline.report.pdf.text_style import ASCENT, BODY, TEXT_COLOUR, TextStyle, register_fonts

__all__ = ["A4", "Align", "Block", "Description", "Point", "Stroke", "write_pdf"]

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
    """What to draw, in order, and how much of the page it takes. height : set by the code that lays it out

    role : of the structure element that all of it belongs to, as in PDF: "H1", "Table", "Figure"; "" if it is only
    a part of the block that it is placed on
    alternative_text : what a figure shows
    """

    height: float = 0.0
    role: str = ""
    alternative_text: str = ""
    _drawings: list[Callable[[Pen], None]] = field(default_factory=list)

    def draw(self, pen: Pen) -> None:
        """Draw everything. The pen's origin is the block's top left corner. There, y is up."""
        with pen.element(self.role, self.alternative_text) if self.role else nullcontext():
            for drawing in self._drawings:
                drawing(pen)

    def place(self, block: Block, at: Point, clip: Point | None = None) -> None:
        """Put another block on this one, by its top left corner. clip : width and height, beyond which it is cut off"""

        def drawing(pen: Pen) -> None:
            pen.canvas.saveState()
            pen.canvas.translate(at[0], -at[1])
            if clip:
                path = pen.canvas.beginPath()
                path.rect(0, -clip[1], *clip)
                pen.canvas.clipPath(path, stroke=0, fill=0)
            block.draw(pen)
            pen.canvas.restoreState()

        self._drawings.append(drawing)

    def text(self, text: str, at: Point, style: TextStyle, align: Align = "left", link: str = "") -> float:
        """One line whose top is at y. Returns the x where it ends. link : an address that the line leads to"""
        width = style.width(text)
        x = at[0] - {"left": 0.0, "middle": width / 2, "right": width}[align]
        font = style.font_name(text)

        def drawing(pen: Pen) -> None:
            size, corner = (width, style.leading), (x, -at[1] - style.leading)
            with pen.link(link, size, corner, text) if link else nullcontext(), pen.content():
                pen.canvas.setFillColor(style.colour)
                pen.canvas.setFont(font, style.size)
                pen.canvas.drawString(x, -at[1] - ASCENT * style.size, text)

        self._drawings.append(drawing)
        return x + width

    def paragraph(
        self, text: str, at: Point, width: float, style: TextStyle, max_lines: int = 99, link: str = ""
    ) -> float:
        """Text broken into lines of a width, from y down. Returns the y below it."""
        lines = Block(role="P")
        for number, line in enumerate(style.wrap(text, width, max_lines)):
            lines.text(line, (0, number * style.leading), style, link=link)
            lines.height += style.leading
        self.place(lines, at)
        return at[1] + lines.height

    def line(self, begin: Point, end: Point, stroke: Stroke = Stroke()) -> None:
        def drawing(canvas: Any) -> None:
            stroke.use(canvas)
            canvas.line(begin[0], -begin[1], end[0], -end[1])

        self._add_artifact(drawing)

    def box(self, at: Point, size: Point, stroke: Stroke | None = Stroke(), fill: str | None = None) -> None:
        """A rectangle by its top left corner, width and height."""

        def drawing(canvas: Any) -> None:
            if fill:
                canvas.setFillColor(fill)
            if stroke:
                stroke.use(canvas)
            canvas.rect(at[0], -at[1] - size[1], *size, stroke=int(stroke is not None), fill=int(fill is not None))

        self._add_artifact(drawing)

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

        self._add_artifact(drawing)

    def dot(self, at: Point, radius: float, colour: str) -> None:
        def drawing(canvas: Any) -> None:
            canvas.setFillColor(colour)
            canvas.circle(at[0], -at[1], radius, stroke=0, fill=1)

        self._add_artifact(drawing)

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

        self._add_artifact(drawing)

    def picture(self, jpeg: bytes, at: Point, size: Point) -> None:
        """A JPEG, embedded as it is, with a frame."""

        def drawing(pen: Pen) -> None:
            from reportlab.lib.utils import ImageReader

            with pen.content():
                pen.canvas.drawImage(ImageReader(io.BytesIO(jpeg)), at[0], -at[1] - size[1], *size)

        self._drawings.append(drawing)
        self.box(at, size, Stroke(weight=0.5))

    def _add_artifact(self, drawing: Callable[[Any], None]) -> None:
        """drawing : on a canvas, something that says nothing by itself, unless it is part of a figure"""

        def marked(pen: Pen) -> None:
            with pen.artifact():
                drawing(pen.canvas)

        self._drawings.append(marked)


@dataclass(frozen=True)
class Description:
    """What readers show of a document. language : BCP 47"""

    title: str
    author: str
    subject: str
    language: str


def write_pdf(pages: Sequence[Block], description: Description) -> bytes:
    """The document, tagged. The same pages give the same bytes."""
    from reportlab import rl_config
    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    rl_config.useA85 = 0  # pictures and pages as letters are a quarter larger, and took most of the time
    file = io.BytesIO()
    # Invariant: neither the time nor chance is part of the document's identity.
    canvas = Canvas(
        file,
        pagesize=A4,
        invariant=1,
        pageCompression=1,
        lang=description.language,
        initialFontName=BODY.font_name(""),
    )
    # A file name that is not valid Unicode has letters that no document can hold.
    canvas.setTitle(description.title.encode("utf-8", "backslashreplace").decode())
    canvas.setAuthor(description.author)
    canvas.setSubject(description.subject)
    canvas.setCreator("Clutchlight")
    pen = Pen(canvas)
    for page in pages:
        canvas.translate(0, A4[1])
        page.draw(pen)
        pen.next_page()
    pen.write_structure(
        title=description.title,
        author=description.author,
        subject=description.subject,
        language=description.language,
    )
    canvas.save()
    return file.getvalue()
