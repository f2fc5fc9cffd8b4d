"""Results in the store: the summary of an exam as JSON, for the overview and for the animal's later exams."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from pipeline.exams.exam_search import ExamProblem
from pipeline.report.priority import URGENCIES, priority_group
from pipeline.report.summary import ExamSummary
from pipeline.store.records import ExamListing, StoredExam

__all__ = ["read_summaries", "read_summary", "stored_exam", "summary_json"]

_SUMMARY = TypeAdapter(ExamSummary)


def summary_json(summary: ExamSummary) -> str:
    """The summary as the store keeps it. Equal summaries give equal text."""
    return _SUMMARY.dump_json(summary).decode()


def read_summary(exam: StoredExam) -> ExamSummary | None:
    """The summary of a stored exam, None if another version wrote it in another format."""
    try:
        return _SUMMARY.validate_json(exam.summary_json)
    except ValidationError:
        return None


def stored_exam(summary: ExamSummary, fingerprint: str = "", files: Sequence[str] = ()) -> StoredExam:
    """The result of an exam as the store keeps it, with what lists of exams need."""
    exam, finding = summary.exam, summary.finding
    severities = sorted({flag.severity for flag in finding.flags})
    listing = ExamListing(
        folder=summary.folder,
        species=exam.species or "",
        urgency=URGENCIES.index(priority_group(summary)),
        error_probability=finding.error_probability,
        severities="".join(f",{severity}" for severity in severities) + ("," if severities else ""),
    )
    document = summary_json(summary)
    return StoredExam(exam.animal, exam.date.isoformat(), fingerprint, document, tuple(files), listing)


def read_summaries(exams: Iterable[StoredExam], out: Path) -> tuple[list[ExamSummary], list[ExamProblem]]:
    """The summaries of stored exams, and a problem for each that another version wrote in another format."""
    summaries: list[ExamSummary] = []
    problems: list[ExamProblem] = []
    for exam in exams:
        summary = read_summary(exam)
        if summary is not None:
            summaries.append(summary)
        else:
            reason = (
                f"{exam.animal} {exam.date}: written by another version of Clutchlight and left out here. "
                "Run the batch over its recordings again."
            )
            problems.append(ExamProblem(out / exam.animal / exam.date, reason))
    return summaries, problems
