"""One sheet of A4: faces, inks, and the few things that are drawn on it.

Lengths are points (1/72 inch), x right from the left edge and y down from the top edge. The same drawing gives the
same bytes: no date, no chance, and the faces come with packages of their own (Source Sans and Source Serif, SIL Open
Font License), not from the machine. They hold Latin, Greek and Cyrillic letters; only what is used is embedded.
"""

from __future__ import annotations

import io
from importlib.resources import files
from typing import Literal

__all__ = ["A4", "GREEN", "MUTED", "RED", "RULE_COLOUR", "TEXT_COLOUR", "WHITE", "Align", "Face", "PdfPage"]

A4 = (595.28, 841.89)
TEXT_COLOUR, MUTED, GREEN, RED, RULE_COLOUR, WHITE = "#1d2521", "#4d5852", "#1f5041", "#7d1a12", "#b9bcae", "#ffffff"

Align = Literal["left", "middle", "right"]
Face = Literal["plain", "bold", "italic", "serif"]
FACES: dict[Face, tuple[str, str]] = {  # package and file
    "plain": ("font_source_sans_pro", "SourceSansPro-Regular"),
    "bold": ("font_source_sans_pro", "SourceSansPro-Semibold"),
    "italic": ("font_source_sans_pro", "SourceSansPro-It"),
    "serif": ("font_source_serif_pro", "SourceSerifPro-Semibold"),
}
LEADING = 1.22  # from line to line, over the size of the letters
ASCENT = 0.95  # from the top of a line to its base, over the size of the letters


class PdfPage:
    """A page to draw on. title, subject : of the document, as readers show them."""

    def __init__(self, title: str = "", subject: str = "") -> None:
        from reportlab.pdfbase.pdfmetrics import getRegisteredFontNames, registerFont
        from reportlab.pdfbase.ttfonts import TTFont
        from reportlab.pdfgen.canvas import Canvas

        for package, name in FACES.values():
            if name not in getRegisteredFontNames():
                registerFont(TTFont(name, str(files(package) / "files" / f"{name}.ttf")))
        self._file = io.BytesIO()
        # Invariant: no time of making and no chance in the document's identity.
        self._canvas = Canvas(self._file, pagesize=A4, invariant=1, pageCompression=1, lang="en")
        # A file name that is no valid Unicode gives letters that no document can hold.
        self._canvas.setTitle(title.encode("utf-8", "backslashreplace").decode())
        self._canvas.setSubject(subject)
        self._canvas.setCreator("Clutchlight")

    def finish(self) -> bytes:
        """The finished document; nothing can be drawn any more."""
        self._canvas.showPage()
        self._canvas.save()
        return self._file.getvalue()

    def text_width(self, words: str, size: float, face: Face = "plain") -> float:
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(words, _name(words, face), size))

    def truncate(self, words: str, room: float, size: float, face: Face = "plain") -> str:
        """The words, or as many of their letters as fit, with an ellipsis."""
        if self.text_width(words, size, face) <= room:
            return words
        while words and self.text_width(f"{words}…", size, face) > room:
            words = words[:-1]
        return f"{words.rstrip()}…"

    def wrap(self, words: str, room: float, size: float, face: Face = "plain", max_lines: int = 99) -> list[str]:
        """The words broken to a width, by letters where a word is wider than it; no more than ``max_lines`` lines."""
        lines = [""]
        for word in words.split():
            longer = f"{lines[-1]} {word}".strip()
            if self.text_width(longer, size, face) <= room:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            while self.text_width(word, size, face) > room and len(word) > 1:
                fits = len(word) - 1
                while fits > 1 and self.text_width(word[:fits], size, face) > room:
                    fits -= 1
                lines[-1], word = word[:fits], word[fits:]
                lines.append("")
            lines[-1] = word
        if len(lines) > max_lines:
            lines = [*lines[: max_lines - 1], self.truncate(" ".join(lines[max_lines - 1 :]), room, size, face)]
        return lines

    def text(
        self,
        words: str,
        at: tuple[float, float],
        size: float,
        face: Face = "plain",
        colour: str = TEXT_COLOUR,
        align: Align = "left",
    ) -> float:
        """One line whose top is at y; gives back the x where it ends."""
        x, y = at
        width = self.text_width(words, size, face)
        x -= {"left": 0.0, "middle": width / 2, "right": width}[align]
        self._canvas.setFillColor(colour)
        self._canvas.setFont(_name(words, face), size)
        self._canvas.drawString(x, A4[1] - y - ASCENT * size, words)
        return x + width

    def paragraph(
        self,
        words: str,
        at: tuple[float, float],
        room: float,
        size: float,
        face: Face = "plain",
        colour: str = TEXT_COLOUR,
        max_lines: int = 99,
    ) -> float:
        """Words broken to a width from y down; gives back the y below them."""
        x, y = at
        for line in self.wrap(words, room, size, face, max_lines):
            self.text(line, (x, y), size, face, colour)
            y += LEADING * size
        return y

    def line(
        self,
        begin: tuple[float, float],
        end: tuple[float, float],
        colour: str = TEXT_COLOUR,
        weight: float = 0.7,
        dash: tuple[float, float] | None = None,
    ) -> None:
        self._canvas.setStrokeColor(colour)
        self._canvas.setLineWidth(weight)
        if dash:
            self._canvas.setDash(*dash)
        self._canvas.line(begin[0], A4[1] - begin[1], end[0], A4[1] - end[1])
        self._canvas.setDash()

    def triangle(
        self, one: tuple[float, float], two: tuple[float, float], three: tuple[float, float], colour: str
    ) -> None:
        """Filled, by its corners."""
        path = self._canvas.beginPath()
        path.moveTo(one[0], A4[1] - one[1])
        for x, y in (two, three):
            path.lineTo(x, A4[1] - y)
        path.close()
        self._canvas.setFillColor(colour)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def box(
        self,
        at: tuple[float, float],
        size: tuple[float, float],
        fill: str | None = None,
        colour: str | None = TEXT_COLOUR,
        weight: float = 0.7,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A rectangle by its top left corner, width and height."""
        if fill:
            self._canvas.setFillColor(fill)
        if colour:
            self._canvas.setStrokeColor(colour)
        self._canvas.setLineWidth(weight)
        if dash:
            self._canvas.setDash(*dash)
        self._canvas.rect(
            at[0], A4[1] - at[1] - size[1], *size, stroke=int(colour is not None), fill=int(fill is not None)
        )
        self._canvas.setDash()

    def ellipse(
        self,
        at: tuple[float, float],
        size: tuple[float, float],
        fill: str | None = None,
        colour: str = TEXT_COLOUR,
        weight: float = 0.7,
        dash: tuple[float, float] | None = None,
        degrees: float = 0.0,
    ) -> None:
        """An ellipse by its middle, and width and height before it is turned clockwise."""
        self._canvas.saveState()
        self._canvas.translate(at[0], A4[1] - at[1])
        self._canvas.rotate(-degrees)
        if fill:
            self._canvas.setFillColor(fill)
        self._canvas.setStrokeColor(colour)
        self._canvas.setLineWidth(weight)
        if dash:
            self._canvas.setLineCap(1)
            self._canvas.setDash(*dash)
        wide, high = size[0] / 2, size[1] / 2
        self._canvas.ellipse(-wide, -high, wide, high, stroke=1, fill=int(fill is not None))
        self._canvas.restoreState()

    def dot(self, at: tuple[float, float], radius: float, colour: str) -> None:
        self._canvas.setFillColor(colour)
        self._canvas.circle(at[0], A4[1] - at[1], radius, stroke=0, fill=1)

    def picture(self, jpeg: bytes, at: tuple[float, float], size: tuple[float, float]) -> None:
        """A JPEG as it is, framed."""
        from reportlab.lib.utils import ImageReader

        self._canvas.drawImage(ImageReader(io.BytesIO(jpeg)), at[0], A4[1] - at[1] - size[1], *size)
        self.box(at, size, weight=0.5)


def _name(words: str, face: Face) -> str:
    """The face's name; that of the plain face, which has the most letters, for words that the face cannot write."""
    from reportlab.pdfbase.pdfmetrics import getFont

    name = FACES[face][1]
    letters = getFont(name).face.charToGlyph
    return name if all(ord(letter) in letters for letter in words) else FACES["plain"][1]
