"""How urgent each exam is, and what a morning's work consists of: who needs the vet, a new scan, or a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from pipeline.language.translation import mark
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.report.waiting import NEEDS, Need, WaitingExam

__all__ = [
    "EARLIER_GROUPS",
    "PRIORITY_GROUPS",
    "URGENCIES",
    "grouped",
    "grouped_by_signature",
    "index_group",
    "priority_group",
    "waiting_exams",
]

PRIORITY_GROUPS = (
    ("vet today", mark("For the vet today")),
    ("rescan", mark("Rescan")),
    ("check", mark("To check")),
    ("rest", mark("Nothing to check")),
    ("signed", mark("Signed")),
    ("earlier", mark("Earlier exams of these animals")),
)

EARLIER_GROUPS = (("unsigned", mark("Not signed")), ("signed", mark("Signed")))
"""Of a season that is over."""

URGENCIES = ("vet today", "check", "rest")
"""What `priority_group` gives, the most urgent first."""


def priority_group(summary: ExamSummary) -> str:
    """How urgent an exam is. An animal without any usable recording is to be checked, even without a flag."""
    if summary.flag_codes("vet today"):
        return "vet today"
    return "check" if summary.flag_codes("check") or not summary.is_scanned else "rest"


def index_group(summary: ExamSummary) -> str:
    """As `priority_group`, with those to be scanned again apart from those to be looked at."""
    group = priority_group(summary)
    return "rescan" if group == "check" and any(flag.needs_rescan for flag in summary.finding.flags) else group


def grouped(
    summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff] = MappingProxyType({})
) -> dict[str, list[ExamSummary]]:
    """The exams by the keys of ``PRIORITY_GROUPS``, the least certain first. signed : sign-offs by exam folder

    An animal's priority is that of her last exam.
    """
    last = {s.exam.animal: s for s in sorted(summaries, key=lambda s: (s.exam.date, s.folder))}
    groups: dict[str, list[ExamSummary]] = {key: [] for key, _ in PRIORITY_GROUPS}
    for summary in _least_certain_first(summaries):
        group = index_group(summary) if summary is last[summary.exam.animal] else "earlier"
        groups["signed" if summary.folder in signed else group].append(summary)
    return groups


def grouped_by_signature(
    summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff] = MappingProxyType({})
) -> dict[str, list[ExamSummary]]:
    """The exams by the keys of ``EARLIER_GROUPS``, the least certain first. signed : sign-offs by exam folder"""
    groups: dict[str, list[ExamSummary]] = {key: [] for key, _ in EARLIER_GROUPS}
    for summary in _least_certain_first(summaries):
        groups["signed" if summary.folder in signed else "unsigned"].append(summary)
    return groups


def _least_certain_first(summaries: Sequence[ExamSummary]) -> list[ExamSummary]:
    return sorted(summaries, key=lambda s: (-s.finding.error_probability, s.exam.animal, s.exam.date, s.folder))


def waiting_exams(
    summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff] = MappingProxyType({})
) -> tuple[WaitingExam, ...]:
    """As on the index, the most urgent first, then by animal. signed : sign-offs by exam folder"""
    groups = grouped(summaries, signed)
    waiting = [_waiting(summary, need) for need in NEEDS for summary in groups[need]]
    urgency = list(NEEDS)
    return tuple(sorted(waiting, key=lambda exam: (urgency.index(exam.need), exam.animal, exam.date)))


def _waiting(summary: ExamSummary, need: Need) -> WaitingExam:
    flags = summary.finding.flags
    if need == "rescan":
        what = next(flag.rescan for flag in flags if flag.needs_rescan)
    else:
        what = flags[0].reason if flags else "No recording could be used."
    codes = tuple(summary.flag_codes("vet today" if need == "vet today" else "check"))
    return WaitingExam(summary.exam.animal, summary.exam.date.isoformat(), summary.folder, need, what, codes)
