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

from pipeline.estimate.results import Count
from pipeline.formatting import date_text
from pipeline.report.text import count_text, interval_text

__all__ = ["SIGNED_HTML", "SIGNED_JSON", "SignOff", "read_sign_off"]

SIGNED_HTML, SIGNED_JSON = "signed.html", "signed.json"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class SignOff:
    """name, role : of who signed;  signed_at : when, ISO 8601, UTC;  shelled : the count as it was signed"""

    name: str
    role: str
    signed_at: str
    shelled: Count

    @property
    def day(self) -> str:
        return date_text(dt.date.fromisoformat(self.signed_at[:10]))

    @property
    def count(self) -> str:
        return count_text(self.shelled, "shelled egg")

    @property
    def interval(self) -> str:
        return interval_text(self.shelled)


def read_sign_off(folder: Path) -> SignOff | None:
    """Who signed the exam of ANIMAL/DATE; None while nobody has, or where the file cannot be read."""
    path = folder / SIGNED_JSON
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        signed, shelled = document["signed"], document["result"]["shelled"]
        low, high = shelled["interval90"]
        count = Count(shelled["at_least"], shelled["estimate"], (low, high))
        sign_off = SignOff(signed["name"], signed["role"], signed["at"], count)
        dt.date.fromisoformat(sign_off.signed_at[:10])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        # The signature itself is an event of the review, and writing its files again mends this.
        log.warning("%s cannot be read (%s), so the sheets do not tell who signed.", path, error)
        return None
    return sign_off
