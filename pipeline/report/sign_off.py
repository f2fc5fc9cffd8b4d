"""Who signed an exam, as the journal of people's answers says, and how the pages show it.

The review writes ``signed.html`` and ``signed.json`` next to the sheet, and removes them on reopening. The batch's own
findings stay as they are. Its pages say who signed which count and when, and link to the signed sheet.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pipeline.estimate.results import Count
from pipeline.formatting import date_text
from pipeline.people.signatures import StoredSignature, login_text
from pipeline.report.text import shelled_text

__all__ = [
    "SIGNED_HTML",
    "SIGNED_JSON",
    "SheetSignature",
    "SignOff",
    "chain_text",
    "sheet_signature",
]

SIGNED_HTML, SIGNED_JSON = "signed.html", "signed.json"


@dataclass(frozen=True)
class SignOff:
    """name, role : of the person who signed;  signed_at : ISO 8601, UTC;  shelled : the count as it was signed

    login : how the person was known, in words;  chain : the signature's number and hash in the journal, in words
    """

    name: str
    role: str
    signed_at: str
    shelled: Count
    login: str
    chain: str

    @classmethod
    def of(cls, stored: StoredSignature) -> SignOff:
        at_least, estimate, low, high = stored.shelled
        count = Count(at_least, estimate, (low, high))
        login, chain = login_text(stored.logged_in), chain_text(stored.entry, stored.digest)
        return cls(stored.name, stored.role, stored.at, count, login, chain)

    @property
    def date(self) -> dt.date:
        return dt.date.fromisoformat(self.signed_at[:10])


@dataclass(frozen=True)
class SheetSignature:
    """The box on a sheet that says who signed the exam. All fields are text to show.

    name, role : of the person who signed;  signed_at : when
    signed_count : the count as signed;  program_count : what the program found on its own
    login : how the person was known, empty if that was not recorded
    chain : the signature's number and hash in the journal
    changes : what people changed, one line each, in order; empty on the program's own sheet
    signed_sheet_link : from the program's own sheet to the signed one; None on the signed sheet itself
    """

    name: str
    role: str
    signed_at: str
    signed_count: str
    program_count: str
    login: str
    chain: str
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
        login=sign_off.login,
        chain=sign_off.chain,
        signed_sheet_link=SIGNED_HTML,
    )


def chain_text(entry: int, digest: str) -> str:
    """Where in the journal the signature is. The hash covers it and all entries before it."""
    return f"entry {entry}, SHA-256 {digest}"
