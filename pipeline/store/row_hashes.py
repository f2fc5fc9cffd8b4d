"""A hash in each row, over everything else in it: so a row that was damaged on the disk is noticed when it is read.

The form is part of the schema: another one needs a revision that computes the hashes anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping

__all__ = ["HASH_COLUMN", "row_sha256"]

HASH_COLUMN = "sha256"


def row_sha256(table: str, row: Mapping[str, object], parts: Iterable[str] = ()) -> str:
    """The hash of a row, hex.

    row : values by column, with or without the hash
    parts : the hashes of other rows that belong to it

    Values of another type than was stored give another hash as well.
    """
    values = {
        name: ["bytes", hashlib.sha256(value).hexdigest()] if isinstance(value, bytes) else value
        for name, value in row.items()
        if name != HASH_COLUMN
    }
    text = json.dumps([table, values, list(parts)], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
