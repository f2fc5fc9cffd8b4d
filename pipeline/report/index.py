"""``index.html``: a night on one page, in order of review priority, with sorting and filters.

Without its script the page shows everything in that order. The script adds sorting and filters.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import PurePosixPath
from types import MappingProxyType

from pipeline.estimate.results import Flag
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.folder_names import relative_url
from pipeline.formatting import date_text, percent, plural
from pipeline.report.history_text import change_text
from pipeline.report.rendering import render
from pipeline.report.sign_off import SIGNED_HTML, SignOff
from pipeline.report.summary import ExamSummary
from pipeline.report.text import count_text, interval_text, shelled_text

__all__ = ["index_html", "priority_group"]

PRIORITY_GROUPS = (
    ("vet today", "For the vet today"),
    ("check", "To check"),
    ("rest", "Nothing to check"),
    ("signed", "Signed"),
    ("earlier", "Earlier exams of these animals"),
)
SEEN_FILTERS = (
    ("shelled", "shelled eggs"),
    ("follicles", "follicles only"),
    ("none", "none seen"),
    ("unscanned", "not scanned"),
)


def index_html(
    summaries: Sequence[ExamSummary],
    problems: Sequence[ExamProblem],
    *,
    has_agreement_page: bool = False,
    signed: Mapping[str, SignOff] = MappingProxyType({}),
) -> bytes:
    """The page over all exams, and over what could not be processed. Self-contained like the sheets.

    An animal's priority is that of her last exam. Her earlier exams are listed at the end. Within a group the least
    certain come first: in that order a reviewer's time finds most errors (`pipeline.bench.risk_coverage`).

    has_agreement_page : whether agreement.html is in the same folder;  signed : sign-offs by exam folder
    """
    from markupsafe import Markup

    last = {s.exam.animal: s for s in sorted(summaries, key=lambda s: (s.exam.date, s.folder))}
    groups: dict[str, list[ExamSummary]] = {key: [] for key, _ in PRIORITY_GROUPS}
    for summary in sorted(
        summaries, key=lambda s: (-s.finding.error_probability, s.exam.animal, s.exam.date, s.folder)
    ):
        group = priority_group(summary) if summary is last[summary.exam.animal] else "earlier"
        groups["signed" if summary.folder in signed else group].append(summary)
    script = files("pipeline.report").joinpath("templates/index.js").read_text(encoding="utf-8").strip()
    # Stripped, because the hash must match the bytes between the script tags.
    digest = hashlib.sha256(script.encode()).digest()
    days = sorted({summary.exam.date for summary in summaries}, reverse=True)
    return render(
        "index.html.j2",
        groups=[
            (key, title, [_row(s, signed.get(s.folder)) for s in groups[key]])
            for key, title in PRIORITY_GROUPS
            if groups[key]
        ],
        group_names=[(key, title) for key, title in PRIORITY_GROUPS if groups[key]],
        days=[(day.isoformat(), date_text(day)) for day in days],
        seen=[(key, title) for key, title in SEEN_FILTERS if any(_seen(s) == key for s in summaries)],
        totals=_totals(summaries),
        vet_today=len(groups["vet today"]),
        to_check=len(groups["check"]),
        problems=sorted((str(problem.path), problem.reason) for problem in problems),
        has_agreement_page=has_agreement_page,
        script=Markup(script),
        script_hash=base64.b64encode(digest).decode(),
    )


def priority_group(summary: ExamSummary) -> str:
    """The group of an exam. An animal without any usable recording is to be checked, even without a flag."""
    if summary.flag_codes("vet today"):
        return "vet today"
    return "check" if summary.flag_codes("check") or not summary.is_scanned else "rest"


def _seen(summary: ExamSummary) -> str:
    """A key of ``SEEN_FILTERS``."""
    if not summary.is_scanned:
        return "unscanned"
    if summary.finding.shelled.estimate:
        return "shelled"
    return "follicles" if summary.finding.follicles.estimate else "none"


@dataclass(frozen=True)
class SignedCount:
    """Who signed which count, and when, as text. link : to the signed sheet"""

    name: str
    role: str
    date: str
    count: str
    link: str


@dataclass(frozen=True)
class IndexRow:
    """One exam on the page.

    day : ISO 8601, to sort by;  seen : a key of ``SEEN_FILTERS``
    eggs : number of shelled eggs to sort by, -1 if she was not scanned, so that it sorts behind none seen
    change : since her last exam, empty if there is none;  flags : all but the notes
    """

    animal: str
    species: str
    day: str
    date: str
    link: str
    pdf_link: str
    signed: SignedCount | None
    seen: str
    eggs: int
    count: str
    interval: str
    stage: str
    follicles: str
    change: str
    flags: tuple[Flag, ...]
    notes: tuple[Flag, ...]
    clips: str
    has_refused_clips: bool
    windows: str


def _row(summary: ExamSummary, sign_off: SignOff | None) -> IndexRow:
    exam, finding, folder = summary.exam, summary.finding, PurePosixPath(summary.folder)
    if summary.is_scanned:
        count, interval = count_text(finding.shelled, "shelled egg"), interval_text(finding.shelled)
        stage = "" if finding.stage == "none seen" else f"{finding.stage} ({percent(finding.stage_probability)})"
    else:
        count, interval, stage = "not scanned", "no recording could be used", ""
    refused, clips = summary.clips_refused, summary.clips
    return IndexRow(
        animal=exam.animal,
        species=exam.species or "species unknown",
        day=exam.date.isoformat(),
        date=date_text(exam.date),
        link=relative_url(folder / "report.html"),
        pdf_link=relative_url(folder / "report.pdf"),
        signed=None if sign_off is None else _signed_count(sign_off, relative_url(folder / SIGNED_HTML)),
        seen=_seen(summary),
        eggs=finding.shelled.estimate if summary.is_scanned else -1,
        count=count,
        interval=interval,
        stage=stage,
        follicles=plural(finding.follicles.estimate, "follicle") if finding.follicles.estimate else "",
        change=change_text(finding.history),
        flags=tuple(flag for flag in finding.flags if flag.severity != "note"),
        notes=tuple(flag for flag in finding.flags if flag.severity == "note"),
        clips=f"{refused} of {clips} refused" if refused else f"{clips} read",
        has_refused_clips=refused > 0,
        windows=summary.windows,
    )


def _signed_count(sign_off: SignOff, link: str) -> SignedCount:
    count = shelled_text(sign_off.shelled)
    return SignedCount(sign_off.name, sign_off.role, date_text(sign_off.date), count, link)


def _totals(summaries: Sequence[ExamSummary]) -> list[tuple[str, str]]:
    """The night in numbers: label and value."""
    scanned = [summary for summary in summaries if summary.is_scanned]
    with_shells = [s for s in scanned if s.finding.shelled.estimate]
    only_follicles = [s for s in scanned if not s.finding.shelled.estimate and s.finding.follicles.estimate]
    refused = sum(summary.clips_refused for summary in summaries)
    return [
        ("animals", f"{len({summary.exam.animal for summary in summaries}):,}"),
        ("exams", f"{len(summaries):,}"),
        ("with shelled eggs seen", f"{len(with_shells):,}"),
        ("with follicles only", f"{len(only_follicles):,}"),
        ("none seen", f"{sum(summary.seen == 'none seen' for summary in summaries):,}"),
        ("not scanned", f"{len(summaries) - len(scanned):,}"),
        ("clips read", f"{sum(summary.clips for summary in summaries) - refused:,}"),
        ("clips refused", f"{refused:,}"),
    ]
