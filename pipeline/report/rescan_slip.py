"""``rescan.html``: a slip for whoever scans, with the animals to be scanned again, why, and what to do better."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from pipeline.exams.exam import Exam
from pipeline.formatting import date_text, moment_text
from pipeline.language.translation import gettext
from pipeline.report.flag_text import translated_flags
from pipeline.report.rendering import render
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.settings_tables import PLAIN_PAGES, PageSettings

__all__ = ["RESCAN_SLIP", "rescan_slip_html"]

RESCAN_SLIP = "rescan.html"


@dataclass(frozen=True)
class SlipLine:
    """One animal. scanned : when and by whom;  tasks : what to scan again and why, one sentence each"""

    animal: str
    species: str
    scanned: str
    tasks: tuple[str, ...]


def rescan_slip_html(
    summaries: Sequence[ExamSummary],
    signed: Mapping[str, SignOff] = MappingProxyType({}),
    pages: PageSettings = PLAIN_PAGES,
    ended: dt.datetime | None = None,
) -> bytes:
    """The animals whose last exam asks for another scan and is not signed. ended : of the run, to be shown"""
    last = {s.exam.animal: s for s in sorted(summaries, key=lambda s: (s.exam.date, s.folder))}
    lines = [
        SlipLine(
            summary.exam.animal,
            summary.exam.species or gettext("species unknown"),
            _scanned_text(summary.exam),
            tuple(flag.rescan for flag in translated_flags(summary.finding.flags) if flag.rescan),
        )
        for animal, summary in sorted(last.items())
        if summary.folder not in signed and any(flag.needs_rescan for flag in summary.finding.flags)
    ]
    return render(
        "rescan.html.j2",
        station=pages.station,
        ended="" if ended is None else moment_text(pages.local_time(ended)),
        lines=lines,
    )


def _scanned_text(exam: Exam) -> str:
    if exam.scanned_by:
        return gettext("scanned {date}, by {name}", date=date_text(exam.date), name=exam.scanned_by)
    return gettext("scanned {date}", date=date_text(exam.date))
