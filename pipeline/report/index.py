"""``index.html``: a night on one page, the animals that need a person first, to be sorted and filtered.

All is there without the page's script, in the order that matters; the script adds other orders and the filters.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import PurePosixPath
from types import MappingProxyType
from typing import Any

from pipeline.estimate.results import History
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.folder_names import relative_url
from pipeline.formatting import date_text, percent, plural
from pipeline.report.history_text import history_sentences
from pipeline.report.rendering import render
from pipeline.report.sign_off import SIGNED_HTML, SignOff
from pipeline.report.summary import ExamSummary
from pipeline.report.text import count_text, interval_text

__all__ = ["index_html", "priority_group"]

PRIORITY_GROUPS = (
    ("vet today", "For the vet today"),
    ("check", "To be checked"),
    ("rest", "The rest"),
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
    """The page over all exams and over what could not be processed, self-contained as the sheets are.

    An animal's urgency is that of her last exam; those before it stand at the end. Within a group the most doubtful
    come first: the order in which a person's time finds most of what is wrong (`pipeline.bench.risk_coverage`).

    has_agreement_page : whether agreement.html lies beside it;  signed : by folder, of exams that a person has seen to
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
    # Trimmed, since the hash is of what stands between the tags to the byte.
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
        urgent=len(groups["vet today"]),
        to_check=len(groups["check"]),
        problems=sorted((str(problem.path), problem.reason) for problem in problems),
        has_agreement_page=has_agreement_page,
        script=Markup(script),
        script_hash=base64.b64encode(digest).decode(),
    )


def priority_group(summary: ExamSummary) -> str:
    """The group a summary belongs to; an animal without one usable recording is to be checked."""
    if summary.flag_codes("vet today"):
        return "vet today"
    return "check" if summary.flag_codes("check") or not summary.is_scanned else "rest"


def _seen(summary: ExamSummary) -> str:
    if not summary.is_scanned:
        return "unscanned"
    if summary.finding.shelled.estimate:
        return "shelled"
    return "follicles" if summary.finding.follicles.estimate else "none"


def _row(summary: ExamSummary, signed: SignOff | None) -> dict[str, Any]:
    exam, finding = summary.exam, summary.finding
    if not summary.is_scanned:
        count, likely, stage = "not scanned", "no recording could be used", ""
    else:
        count = count_text(finding.shelled, "shelled egg")
        likely = interval_text(finding.shelled)
        stage = "" if finding.stage == "none seen" else f"{finding.stage} ({percent(finding.stage_probability)})"
    follicles = plural(finding.follicles.estimate, "follicle") if finding.follicles.estimate else ""
    flags = finding.flags
    return {
        "animal": exam.animal,
        "species": exam.species or "species not told",
        "day": exam.date.isoformat(),
        "date": date_text(exam.date),
        "link": relative_url(PurePosixPath(summary.folder) / "report.html"),
        "pdf_link": relative_url(PurePosixPath(summary.folder) / "report.pdf"),
        "change": _change(finding.history),
        "signed": signed,
        "signed_link": relative_url(PurePosixPath(summary.folder) / SIGNED_HTML),
        "seen": _seen(summary),
        # Not scanned is no number: it sorts behind none seen.
        "eggs": finding.shelled.estimate if summary.is_scanned else -1,
        "count": count,
        "interval": likely,
        "stage": stage,
        "follicles": follicles,
        "flags": [flag for flag in flags if flag.severity != "note"],
        "notes": [flag for flag in flags if flag.severity == "note"],
        "clips": f"{summary.clips_refused} of {summary.clips} refused"
        if summary.clips_refused
        else f"{summary.clips} read",
        "refused": summary.clips_refused > 0,
        "windows": summary.windows,
    }


def _change(history: History) -> str:
    """What the sheet says first of her other exams; empty where there is nothing to compare with."""
    return history_sentences(history)[0] if history.change is not None else ""


def _totals(summaries: Sequence[ExamSummary]) -> list[tuple[str, str]]:
    """The night in numbers: (label, value)."""
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
