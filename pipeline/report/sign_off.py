"""Who signed an exam, as the journal of people's answers says, and how the pages show it.

What was signed is the truth on every page and in every table; the program's own estimate stands beside it. The review
writes ``signed.html``, ``signed.pdf`` and ``signed.json`` next to the sheet, and removes them on reopening.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pipeline.estimate.results import Count
from pipeline.formatting import moment_text
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext
from pipeline.people.signatures import SIGNED_HTML, SignedEgg, StoredSignature, login_text
from pipeline.report.text import interval_text, shelled_count_text, shelled_text
from pipeline.settings_tables import PageSettings

__all__ = [
    "SheetSignature",
    "SignOff",
    "chain_text",
    "sheet_signature",
    "signed_count_text",
    "signed_range_text",
    "verdict_text",
]

_NONE = Count(0, 0, (0, 0))


@dataclass(frozen=True)
class SignOff:
    """name, role : of the person who signed;  signed_at : ISO 8601, UTC;  shelled, follicles : the counts as signed

    is_confirmed : whether people answered about every object; the counts are then what they saw, without a range
    stage : of the clutch as signed, "" if unknown;  eggs : every object as signed, None if that was not recorded
    login : how the person was known, in words as they are stored
    entry, digest : the signature's number and hash in the journal
    """

    name: str
    role: str
    signed_at: str
    shelled: Count
    login: str
    entry: int
    digest: str
    follicles: Count = _NONE
    stage: str = ""
    eggs: tuple[SignedEgg, ...] | None = None
    is_confirmed: bool = False

    @classmethod
    def of(cls, stored: StoredSignature) -> SignOff:
        def count(signed: tuple[int, int, int, int], *, shelled: bool) -> Count:
            if stored.is_confirmed:
                seen = stored.confirmed(shelled=shelled)
                return Count(seen, seen, (seen, seen))
            at_least, estimate, low, high = signed
            return Count(at_least, estimate, (low, high))

        return cls(
            name=stored.name,
            role=stored.role,
            signed_at=stored.at,
            shelled=count(stored.shelled, shelled=True),
            login=login_text(stored.logged_in),
            entry=stored.entry,
            digest=stored.digest,
            follicles=count(stored.follicles, shelled=False),
            stage=stored.stage,
            eggs=stored.eggs,
            is_confirmed=stored.is_confirmed,
        )

    @property
    def moment(self) -> dt.datetime:
        return dt.datetime.fromisoformat(self.signed_at)

    @property
    def by_number(self) -> dict[int, SignedEgg]:
        """The objects as signed, by their number."""
        return {egg.number: egg for egg in self.eggs or ()}


@dataclass(frozen=True)
class SheetSignature:
    """The box on a sheet that says who signed the exam. All fields are text to show.

    name, role : of the person who signed;  signed_at : when;  signed_count : the count as signed
    login : how the person was known, empty if that was not recorded
    chain : the signature's number and hash in the journal
    changes : what people changed, one line each, in order; empty on the program's own sheet
    signed_sheet_link : from the program's own sheet to the signed one; None on the signed sheet itself
    """

    name: str
    role: str
    signed_at: str
    signed_count: str
    login: str
    chain: str
    changes: tuple[str, ...] = ()
    signed_sheet_link: str | None = None


def sheet_signature(
    sign_off: SignOff, pages: PageSettings, *, changes: tuple[str, ...] = (), is_signed_sheet: bool = False
) -> SheetSignature:
    """The signature box of the signed sheet, or of the program's own sheet, which links the signed one."""
    return SheetSignature(
        name=sign_off.name,
        role=sign_off.role,
        signed_at=moment_text(pages.local_time(sign_off.moment)),
        signed_count=signed_count_text(sign_off),
        login=stored_text(sign_off.login),
        chain=chain_text(sign_off.entry, sign_off.digest),
        changes=changes,
        signed_sheet_link=None if is_signed_sheet else SIGNED_HTML,
    )


def signed_count_text(sign_off: SignOff) -> str:
    """For example "9 shelled eggs, all confirmed", or with the range that was left when it was signed."""
    if not sign_off.is_confirmed:
        return shelled_text(sign_off.shelled)
    shelled = sign_off.shelled
    count = shelled_count_text(shelled) if shelled.estimate else gettext("no shelled egg seen")
    return f"{count}, {signed_range_text(sign_off)}"


def signed_range_text(sign_off: SignOff) -> str:
    """What stands instead of the range: what people confirmed has none."""
    if not sign_off.is_confirmed:
        return interval_text(sign_off.shelled)
    return gettext("all confirmed") if sign_off.shelled.estimate > 1 else gettext("everything answered")


def verdict_text(signed: SignedEgg | None) -> str:
    """What people said of one object, as a few words; "" if nobody answered or it was not recorded."""
    if signed is None or signed.verdict is None:
        return ""
    if signed.verdict == "uncertain":
        return gettext("looked at: cannot be told")
    if signed.verdict == "not-egg":
        return gettext("rejected: not an egg or follicle")
    return gettext("confirmed") if signed.is_counted else gettext("confirmed, not counted")


def chain_text(entry: int, digest: str) -> str:
    """Where in the journal the signature is. The hash covers it and all entries before it."""
    return gettext("entry {entry}, SHA-256 {digest}", entry=entry, digest=digest)
