"""Text from files, made safe to show: on a terminal, escape sequences and invisible characters would deceive people."""

from __future__ import annotations

import unicodedata

__all__ = ["is_printable", "printable", "printable_lines", "shortened"]

MAXIMUM_SHOWN_LENGTH = 100  # characters of a key or value in a message; a line or so (common practice, no source)


def is_printable(text: str) -> bool:
    """Whether the text holds no control character, no invisible one that formats text, and no line break."""
    # Bytes that are not UTF-8 appear as surrogates. The "C" categories hold these, NUL, escape and zero-width
    # characters; Zl and Zp are Unicode's own line and paragraph separators.
    return not any(category[0] == "C" or category in ("Zl", "Zp") for category in map(unicodedata.category, text))


def printable(text: object) -> str:
    """The text as one printable line, with unprintable characters escaped.

    >>> printable("left\\x1b[31m.mp4")
    'left\\\\x1b[31m.mp4'
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))


def printable_lines(text: str) -> str:
    """The text with unprintable characters escaped, except the ends of its lines."""
    return "\n".join(map(printable, text.split("\n")))


def shortened(text: str) -> str:
    """The text as one printable line of at most ``MAXIMUM_SHOWN_LENGTH`` characters."""
    # Cut before and after, since escaping a very long text takes time and makes it longer.
    shown = printable(text[: MAXIMUM_SHOWN_LENGTH + 1])
    return shown if len(shown) <= MAXIMUM_SHOWN_LENGTH else f"{shown[: MAXIMUM_SHOWN_LENGTH - 1]}…"
