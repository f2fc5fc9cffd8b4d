"""Who signed an exam: read from ``signed.json``, which the review writes next to the sheet and removes on reopening.

The batch's own findings stay as they are. Its pages say who signed which count and when, and link to the signed sheet.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
from dataclasses import dataclass
from pathlib import Path

from pipeline.estimate.results import Count
from pipeline.formatting import date_text
from pipeline.report.text import shelled_text

__all__ = [
    "SIGNED_HTML",
    "SIGNED_JSON",
    "SheetSignature",
    "SignOff",
    "read_sign_off",
    "sheet_signature",
]

SIGNED_HTML, SIGNED_JSON = "signed.html", "signed.json"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class SignOff:
    """name, role : of the person who signed;  signed_at : ISO 8601, UTC;  shelled : the count as it was signed"""

    name: str
    role: str
    signed_at: str
    shelled: Count

    @property
    def date(self) -> dt.date:
        return dt.date.fromisoformat(self.signed_at[:10])


@dataclass(frozen=True)
class SheetSignature:
    """The box on a sheet that says who signed the exam. All fields are text to show.

    name, role : of the person who signed;  signed_at : when
    signed_count : the count as signed;  program_count : what the program found on its own
    changes : what people changed, one line each, in order; empty on the program's own sheet
    signed_sheet_link : from the program's own sheet to the signed one; None on the signed sheet itself
    """

    name: str
    role: str
    signed_at: str
    signed_count: str
    program_count: str
    changes: tuple[str, ...] = ()
    signed_sheet_link: str | None = None


def sheet_signature(sign_off: SignOff, program_count: Count) -> SheetSignature:
    """The signature box of the program's own sheet, with a link to the signed sheet."""
    return SheetSignature(
        name=sign_off.name,
        role=sign_off.role,
        signed_at=date_text(sign_off.date),
        signed_count=shelled_text(sign_off.shelled),
        program_count=shelled_text(program_count),
        signed_sheet_link=SIGNED_HTML,
    )


def read_sign_off(folder: Path) -> SignOff | None:
    """Who signed the exam in the folder ANIMAL/DATE. None if it is not signed, or if the file cannot be read."""
    path = folder / SIGNED_JSON
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        signed, shelled = document["signed"], document["result"]["shelled"]
        low, high = shelled["interval90"]
        sign_off = SignOff(
            signed["name"], signed["role"], signed["at"], Count(shelled["at_least"], shelled["estimate"], (low, high))
        )
        _ = sign_off.date  # raises ValueError if it is no date
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        # The signature itself is an event of the review. Signing again writes this file anew.
        log.warning("%s cannot be read (%s), so the sheets do not say who signed.", path, error)
        return None
    return sign_off
