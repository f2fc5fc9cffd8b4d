"""The rows of a long index, small enough to be in one page: compressed, and laid out by the page's script.

A table row takes about a kilobyte, and rows are much alike, so that 5,000 of them take a tenth when compressed.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Sequence

__all__ = ["packed", "search_script"]

LEVEL = 9  # of gzip


def packed(text: str) -> str:
    """Text as gzip in base64. The same text gives the same characters."""
    return base64.b64encode(gzip.compress(text.encode("utf-8", "backslashreplace"), LEVEL, mtime=0)).decode()


def search_script(season: str, rows: Sequence[Sequence[str]]) -> bytes:
    """What the index loads to search a season: a script, since a page that was opened as a file may read nothing else.

    rows : animal, species, date, count and address of each exam
    """
    return f"addSeason({json.dumps(season)}, {json.dumps(packed(json.dumps(rows)))});\n".encode()
