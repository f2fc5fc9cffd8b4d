"""``index.html``: a night on one page, in order of review priority, with sorting and filters.

Without its script the page shows everything in that order. The script adds sorting and filters, shows long lists in
parts, and warns when the page has become old.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from types import MappingProxyType

from pipeline.exams.exam_search import ExamProblem
from pipeline.formatting import date_text, moment_text, number_text, plural
from pipeline.report.index_rows import SEEN_KINDS, IndexRow, index_row, seen_kind, signed_or_found
from pipeline.report.priority import PRIORITY_GROUPS, grouped
from pipeline.report.range_bar import range_bar_svg
from pipeline.report.rendering import render
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.settings import PLAIN_PAGES, PageSettings

__all__ = ["DOWNLOADS", "NightlyRun", "index_html", "redated"]

DOWNLOADS = (
    ("exams, CSV", "summary.csv"),
    ("eggs, CSV", "eggs.csv"),
    ("exams, Parquet", "animals.parquet"),
    ("eggs, Parquet", "eggs.parquet"),
)
SHOWN_ROWS = 100  # at first, by the script; more are laid out when they are asked for
RUN_LINE_START, RUN_LINE_END = b'<p class="run" id="run"', b"</p>"
MIN_TOP, MAX_TOP = 10.0, 40.0  # eggs at the end of the range bars' scale


@dataclass(frozen=True)
class NightlyRun:
    """ended : with its time zone;  exams, clips : how many the run covered;  root : the folder of the recordings"""

    ended: dt.datetime
    exams: int
    clips: int
    root: str


def index_html(
    summaries: Sequence[ExamSummary],
    problems: Sequence[ExamProblem],
    *,
    has_agreement_page: bool = False,
    signed: Mapping[str, SignOff] = MappingProxyType({}),
    pages: PageSettings = PLAIN_PAGES,
    run: NightlyRun | None = None,
) -> bytes:
    """The page over all exams, and over what could not be processed. Its only files besides itself are small pictures.

    An animal's priority is that of her last exam. Her earlier exams are listed at the end. Within a group the least
    certain come first: in that order a reviewer's time finds most errors (`pipeline.bench.risk_coverage`).

    has_agreement_page : whether agreement.html is in the same folder;  signed : sign-offs by exam folder
    run : the run that wrote the page, None if that is not known
    """
    from markupsafe import Markup

    groups = grouped(summaries, signed)
    script = files("pipeline.report").joinpath("templates/index.js").read_text(encoding="utf-8").strip()
    # Stripped, because the hash must match the bytes between the script tags.
    digest = hashlib.sha256(script.encode()).digest()
    days = sorted({summary.exam.date for summary in summaries}, reverse=True)
    counts = [signed_or_found(summary, signed.get(summary.folder))[0] for summary in summaries]
    top = min(max([MIN_TOP, *(float(count.interval90[1]) for count in counts)]), MAX_TOP)
    rows: list[tuple[str, str, list[IndexRow]]] = [
        (key, title, [index_row(each, signed.get(each.folder), pages, top) for each in groups[key]])
        for key, title in PRIORITY_GROUPS
        if groups[key]
    ]
    seen = {seen_kind(summary, signed.get(summary.folder)) for summary in summaries}
    return render(
        "index.html.j2",
        station=pages.station,
        run_line=Markup(_run_line(run, pages) if run else ""),
        listed=_listed(days),
        groups=rows,
        shown_rows=SHOWN_ROWS,
        days=[(day.isoformat(), date_text(day)) for day in days],
        seen=[(key, title) for key, title in SEEN_KINDS.items() if key in seen],
        totals=_totals(summaries, signed),
        numbers={key: len(groups[key]) for key, _ in PRIORITY_GROUPS},
        problems=sorted((str(problem.path), problem.reason) for problem in problems),
        has_agreement_page=has_agreement_page,
        downloads=DOWNLOADS,
        range_bar=lambda bar: Markup(range_bar_svg(bar)),
        script=Markup(script),
        script_hash=base64.b64encode(digest).decode(),
    )


def redated(page: bytes, run: NightlyRun, pages: PageSettings) -> bytes:
    """The page as it is, with another run in its dated line; for a run that changed nothing else on it."""
    start = page.index(RUN_LINE_START)
    end = page.index(RUN_LINE_END, start) + len(RUN_LINE_END)
    return page[:start] + _run_line(run, pages).encode() + page[end:]


def _run_line(run: NightlyRun, pages: PageSettings) -> str:
    """When the run ended and what it covered, as a paragraph."""
    ended = run.ended.astimezone(dt.UTC).isoformat(timespec="seconds")
    covered = f"{plural(run.exams, 'exam')} with {plural(run.clips, 'clip')} under {run.root}"
    text = escape(f"Run ended {moment_text(pages.local_time(run.ended))}. It covered {covered}.")
    data = f'data-ended="{ended}" data-stale-after-hours="{pages.stale_after_hours}"'
    return f"{RUN_LINE_START.decode()} {data}><span>{text}</span>{RUN_LINE_END.decode()}"


def _listed(days: Sequence[dt.date]) -> str:
    """Of which days exams are listed. days : the latest first"""
    if not days:
        return ""
    first, last = date_text(days[-1]), date_text(days[0])
    return f"Listed are all exams of {last}." if first == last else f"Listed are all exams from {first} to {last}."


def _totals(summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff]) -> list[tuple[str, str]]:
    """The night in numbers: label and value."""
    kinds = [seen_kind(summary, signed.get(summary.folder)) for summary in summaries]
    refused = sum(summary.clips_refused for summary in summaries)
    return [
        ("animals", number_text(len({summary.exam.animal for summary in summaries}))),
        ("exams", number_text(len(summaries))),
        ("signed", number_text(sum(summary.folder in signed for summary in summaries))),
        ("with shelled eggs seen", number_text(kinds.count("shelled"))),
        ("with follicles only", number_text(kinds.count("follicles"))),
        ("none seen", number_text(kinds.count("none"))),
        ("not scanned", number_text(kinds.count("unscanned"))),
        ("clips read", number_text(sum(summary.clips for summary in summaries) - refused)),
        ("clips refused", number_text(refused)),
    ]
