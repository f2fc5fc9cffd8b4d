"""That a person signed an exam, for the pages of later nights: read from ``signed.json``, which the review leaves
beside the sheet and takes away when the exam is opened again.

The batch's own findings stay what they are; its pages say who signed which count, when, and where to read it.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
from dataclasses import dataclass
from pathlib import Path

from pipeline.estimate.finding import Count
from pipeline.formatting import date_words
from pipeline.report.text import count_words, likely_words

__all__ = ["PAGE", "RECORD", "SignOff", "read_sign_off"]

PAGE, RECORD = "signed.html", "signed.json"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class SignOff:
    """name, role : of who signed;  at : when, ISO 8601, UTC;  shelled : the count as it was signed"""

    name: str
    role: str
    at: str
    shelled: Count

    @property
    def day(self) -> str:
        return date_words(dt.date.fromisoformat(self.at[:10]))

    @property
    def count(self) -> str:
        return count_words(self.shelled, "shelled egg")

    @property
    def likely(self) -> str:
        return likely_words(self.shelled)


def read_sign_off(folder: Path) -> SignOff | None:
    """Who signed the exam of ANIMAL/DATE; None while nobody has, or where the file cannot be read."""
    path = folder / RECORD
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        signed, shelled = document["signed"], document["result"]["shelled"]
        low, high = shelled["interval90"]
        count = Count(shelled["at_least"], shelled["estimate"], (low, high))
        sign_off = SignOff(signed["name"], signed["role"], signed["at"], count)
        dt.date.fromisoformat(sign_off.at[:10])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        # The signature itself is an event of the review, and writing its files again mends this.
        log.warning("%s cannot be read (%s), so the sheets do not tell who signed.", path, error)
        return None
    return sign_off
