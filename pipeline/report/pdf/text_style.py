"""Fonts of the page, and text broken or cut to a width.

Lengths are points (1/72 inch). The fonts (Source Sans and Source Serif, SIL Open Font License) come from packages and
not from the machine, so the same text gives the same bytes everywhere. They hold Latin, Greek and Cyrillic letters.
Only the letters that are used are embedded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Literal

__all__ = ["BODY", "GREEN", "LEGEND", "MUTED", "RED", "RULE_COLOUR", "SMALL", "TEXT_COLOUR", "TITLE", "WHITE"]
__all__ += ["Face", "TextStyle", "register_fonts"]

TEXT_COLOUR, MUTED, GREEN, RED, RULE_COLOUR, WHITE = "#1d2521", "#4d5852", "#1f5041", "#7d1a12", "#b9bcae", "#ffffff"

Face = Literal["plain", "bold", "italic", "serif"]
FONTS: dict[Face, tuple[str, str]] = {  # package and file
    "plain": ("font_source_sans_pro", "SourceSansPro-Regular"),
    "bold": ("font_source_sans_pro", "SourceSansPro-Semibold"),
    "italic": ("font_source_sans_pro", "SourceSansPro-It"),
    "serif": ("font_source_serif_pro", "SourceSerifPro-Semibold"),
}
MIN_SIZE = 6.5  # of letters that are made smaller to fit, points
# Over the size of the letters.
LEADING = 1.22  # from line to line
ASCENT = 0.95  # from the top of a line to its baseline
HALF_HEIGHT = 0.62  # from the top of a line to the middle of its letters


@dataclass(frozen=True)
class TextStyle:
    """size : of the letters, in points"""

    size: float
    face: Face = "plain"
    colour: str = TEXT_COLOUR

    @property
    def bold(self) -> TextStyle:
        return replace(self, face="bold")

    @property
    def muted(self) -> TextStyle:
        return replace(self, colour=MUTED)

    @property
    def leading(self) -> float:
        """From line to line."""
        return LEADING * self.size

    @property
    def half_height(self) -> float:
        """From the top of a line to the middle of its letters."""
        return HALF_HEIGHT * self.size

    def font_name(self, text: str) -> str:
        """The font for a text. The plain font has the most letters and is used if the style's own font lacks any."""
        from reportlab.pdfbase.pdfmetrics import getFont

        register_fonts()
        name = FONTS[self.face][1]
        glyphs = getFont(name).face.charToGlyph
        return name if all(ord(letter) in glyphs for letter in text) else FONTS["plain"][1]

    def width(self, text: str) -> float:
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(text, self.font_name(text), self.size))

    def shrunk(self, text: str, width: float) -> TextStyle:
        """The style with letters small enough for the text to fit, but not below ``MIN_SIZE``."""
        return replace(self, size=max(min(self.size, self.size * width / self.width(text)), MIN_SIZE))

    def truncate(self, text: str, width: float) -> str:
        """The text, or as many of its letters as fit, with an ellipsis."""
        if self.width(text) <= width:
            return text
        while text and self.width(f"{text}…") > width:
            text = text[:-1]
        return f"{text.rstrip()}…"

    def wrap(self, text: str, width: float, max_lines: int = 99) -> list[str]:
        """The text as lines that fit a width. A word that is too wide is broken. The last line may be truncated.

        reportlab's own `simpleSplit` and `Paragraph` neither break words nor limit the number of lines.
        """
        lines = [""]
        for word in text.split():
            longer = f"{lines[-1]} {word}".strip()
            if self.width(longer) <= width:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            while self.width(word) > width and len(word) > 1:
                fits = len(word) - 1
                while fits > 1 and self.width(word[:fits]) > width:
                    fits -= 1
                lines[-1], word = word[:fits], word[fits:]
                lines.append("")
            lines[-1] = word
        if len(lines) > max_lines:
            lines = [*lines[: max_lines - 1], self.truncate(" ".join(lines[max_lines - 1 :]), width)]
        return lines

    def height(self, text: str, width: float, max_lines: int = 99) -> float:
        """Of the text as lines that fit a width."""
        return self.leading * len(self.wrap(text, width, max_lines))


BODY = TextStyle(8.5)
SMALL = TextStyle(7.5)
LEGEND = TextStyle(6.9, colour=MUTED)
TITLE = TextStyle(10.5, "serif", GREEN)


def register_fonts() -> None:
    """Make the fonts known to reportlab. Costs nothing the second time."""
    from reportlab.pdfbase.pdfmetrics import getRegisteredFontNames, registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    registered = set(getRegisteredFontNames())
    for package, name in FONTS.values():
        if name not in registered:
            registerFont(TTFont(name, str(files(package) / "files" / f"{name}.ttf")))
