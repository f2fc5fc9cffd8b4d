"""What the store keeps of an exam's result for the overview and for her later exams: written, and read back."""

from __future__ import annotations

from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from pipeline.exams.exam_search import ExamProblem
from pipeline.report.summary import ExamSummary
from pipeline.store.store import Store, StoredExam

__all__ = ["read_summaries", "read_summary", "summary_json"]

_SUMMARY = TypeAdapter(ExamSummary)


def summary_json(summary: ExamSummary) -> str:
    """The text that the store keeps; the same summary gives the same text."""
    return _SUMMARY.dump_json(summary).decode()


def read_summary(exam: StoredExam) -> ExamSummary | None:
    """What a stored exam tells, None where another version wrote it in another form."""
    try:
        return _SUMMARY.validate_json(exam.summary_json)
    except ValidationError:
        return None


def read_summaries(store: Store, out: Path) -> tuple[list[ExamSummary], list[ExamProblem]]:
    """The exams of this and earlier nights, and those that another version wrote in another form."""
    summaries: list[ExamSummary] = []
    problems: list[ExamProblem] = []
    for exam in store.exams():
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
