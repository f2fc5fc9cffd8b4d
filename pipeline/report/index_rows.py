"""One exam as a row of the index: what was signed or found, what to do about it, and where to read on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath

from pipeline.estimate.results import Count, Flag
from pipeline.exams.folder_names import relative_url
from pipeline.formatting import date_text, percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, mark, ngettext
from pipeline.people.signatures import SIGNED_HTML, SIGNED_PDF
from pipeline.report.flag_text import translated_flags
from pipeline.report.history_text import change_text
from pipeline.report.links import ReviewLinks
from pipeline.report.range_bar import RangeBar
from pipeline.report.sign_off import SignOff, signed_range_text
from pipeline.report.summary import ExamSummary
from pipeline.report.text import interval_text, shelled_count_text, shelled_text
from pipeline.report.thumbnail import THUMBNAIL
from pipeline.report.verdict import shelled_bar, uncertain_text
from pipeline.settings_tables import PageSettings

__all__ = ["SEEN_KINDS", "IndexRow", "SeenKind", "index_row", "seen_kind", "signed_or_found"]

SeenKind = str
"""A key of ``SEEN_KINDS``."""
SEEN_KINDS: dict[SeenKind, str] = {
    "shelled": mark("shelled eggs"),
    "follicles": mark("follicles only"),
    "none": mark("none seen"),
    "unscanned": mark("not scanned"),
}
# The flags that state a probability of count or stage, in words of their own.
_FLAGS_WITH_PROBABILITY = frozenset({"unreliable-count", "low-confidence", "count-or-stage", "stage-unsure"})


@dataclass(frozen=True)
class Thumbnail:
    """address : relative to the page;  text : what it shows"""

    address: str
    text: str


@dataclass(frozen=True)
class IndexRow:
    """One exam on the page.

    day : ISO 8601, to sort by;  seen : a key of ``SEEN_KINDS``
    eggs : number of shelled eggs to sort by, -1 if she was not scanned, so that it sorts behind none seen
    count, interval, bar : as signed, else as found;  signed_by : empty if nobody signed;  program : the program's count
    uncertain : what was seen and not counted, empty if there is nothing or if it was signed
    certainty : how sure count and stage are, the row's one probability; empty where a flag says it, or if signed
    change : since her last exam, empty if there is none
    rescan : what to scan again, first of all that is to do;  flags : all others but the notes
    links : label, address and, for screen readers, the label with whose it is
    """

    animal: str
    species: str
    day: str
    date: str
    link: str
    links: tuple[tuple[str, str], ...]
    thumbnail: Thumbnail | None
    seen: SeenKind
    eggs: int
    count: str
    interval: str
    bar: RangeBar | None
    signed_by: str
    program: str
    certainty: str
    uncertain: str
    stage: str
    follicles: str
    change: str
    rescan: tuple[str, ...]
    flags: tuple[Flag, ...]
    notes: tuple[Flag, ...]
    clips: str
    has_refused_clips: bool
    windows: str


def signed_or_found(summary: ExamSummary, sign_off: SignOff | None) -> tuple[Count, Count, str]:
    """Shelled eggs, follicles and stage: as signed, else as the program found them."""
    finding = summary.finding
    if sign_off is None:
        return finding.shelled, finding.follicles, finding.stage
    return sign_off.shelled, sign_off.follicles, sign_off.stage or finding.stage


def seen_kind(summary: ExamSummary, sign_off: SignOff | None) -> SeenKind:
    shelled, follicles, _ = signed_or_found(summary, sign_off)
    if not summary.is_scanned and sign_off is None:
        return "unscanned"
    if shelled.estimate:
        return "shelled"
    return "follicles" if follicles.estimate else "none"


def index_row(summary: ExamSummary, sign_off: SignOff | None, pages: PageSettings, top: float) -> IndexRow:
    """top : number of eggs at the end of the range bars' scale, the same in all rows"""
    exam, finding, folder = summary.exam, summary.finding, PurePosixPath(summary.folder)
    shelled, follicles, stage = signed_or_found(summary, sign_off)
    is_known = summary.is_scanned or sign_off is not None
    refused, clips = summary.clips_refused, summary.clips
    every_flag = translated_flags(finding.flags)
    flags = [flag for flag in every_flag if flag.severity != "note"]
    is_flagged = bool(flags) and sign_off is None
    interval = signed_range_text(sign_off) if sign_off else interval_text(shelled)
    return IndexRow(
        animal=exam.animal,
        species=exam.species or gettext("species unknown"),
        day=exam.date.isoformat(),
        date=date_text(exam.date),
        link=relative_url(folder / ("report.html" if sign_off is None else SIGNED_HTML)),
        links=tuple(_links(folder, sign_off, pages)),
        thumbnail=(
            Thumbnail(relative_url(folder / THUMBNAIL), stored_text(summary.thumbnail))
            if is_flagged and summary.thumbnail
            else None
        ),
        seen=seen_kind(summary, sign_off),
        eggs=shelled.estimate if is_known else -1,
        count=_count_text(shelled, sign_off) if is_known else gettext("not scanned"),
        interval=interval if is_known else gettext("no recording could be used"),
        bar=None if not is_known or (sign_off and sign_off.is_confirmed) else shelled_bar(shelled, top),
        signed_by=_signed_by(sign_off),
        program="" if sign_off is None else shelled_text(finding.shelled),
        uncertain=uncertain_text(len(finding.uncounted)) if sign_off is None else "",
        certainty=_certainty(summary, sign_off),
        stage=stored_text(stage) if is_known and stage != "none seen" else "",
        follicles=(
            ngettext("{number} follicle", "{number} follicles", follicles.estimate) if follicles.estimate else ""
        ),
        change=change_text(finding.history),
        rescan=tuple(flag.rescan for flag in flags if flag.needs_rescan),
        flags=tuple(flag for flag in flags if not flag.needs_rescan),
        notes=tuple(flag for flag in every_flag if flag.severity == "note"),
        clips=(
            gettext("{refused} of {clips} refused", refused=refused, clips=clips)
            if refused
            else gettext("{clips} read", clips=clips)
        ),
        has_refused_clips=refused > 0,
        windows=stored_text(summary.windows),
    )


def _count_text(shelled: Count, sign_off: SignOff | None) -> str:
    return gettext("no shelled egg seen") if sign_off and not shelled.estimate else shelled_count_text(shelled)


def _signed_by(sign_off: SignOff | None) -> str:
    return "" if sign_off is None else gettext("signed by {name}, {role}", name=sign_off.name, role=sign_off.role)


def _certainty(summary: ExamSummary, sign_off: SignOff | None) -> str:
    stated = any(flag.code in _FLAGS_WITH_PROBABILITY for flag in summary.finding.flags)
    if sign_off is not None or stated or not summary.is_scanned:
        return ""
    probability = percent(1 - summary.finding.error_probability)
    return gettext("{probability} sure of count and stage", probability=probability)


def _links(folder: PurePosixPath, sign_off: SignOff | None, pages: PageSettings) -> Iterator[tuple[str, str]]:
    yield gettext("PDF"), relative_url(folder / ("report.pdf" if sign_off is None else SIGNED_PDF))
    if sign_off is not None:
        yield gettext("program's sheet"), relative_url(folder / "report.html")
    review = ReviewLinks.of(pages.review_address, str(folder))
    if review.page:
        yield gettext("review"), review.page
