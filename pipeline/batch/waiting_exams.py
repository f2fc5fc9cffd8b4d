"""Which exams wait for a person: the last of each animal, unsigned, with a flag or without any usable recording."""

from __future__ import annotations

from collections.abc import Container, Sequence

from pipeline.batch.run_report import WaitingExam
from pipeline.report.index import priority_group
from pipeline.report.summary import ExamSummary

__all__ = ["waiting_exams"]

URGENCY = ("vet today", "check")


def waiting_exams(summaries: Sequence[ExamSummary], signed: Container[str]) -> tuple[WaitingExam, ...]:
    """The exams as on the index, the most urgent first, then by animal. signed : folders of signed exams"""
    last = {s.exam.animal: s for s in sorted(summaries, key=lambda s: (s.exam.date, s.folder))}
    waiting = [
        WaitingExam(summary.exam.animal, summary.exam.date.isoformat(), need, tuple(summary.flag_codes(need)))
        for summary in last.values()
        if (need := priority_group(summary)) in URGENCY and summary.folder not in signed
    ]
    return tuple(sorted(waiting, key=lambda exam: (URGENCY.index(exam.need), exam.animal, exam.date)))
