"""How a batch ended, in words: problems on stderr, the summary on stdout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import StrEnum

import typer

from models.printable import printable, printable_lines
from pipeline.batch.run_report import BatchReport, ClipStatus, ExamReport, ExamStatus
from pipeline.formatting import plural

__all__ = ["exam_line", "print_report"]


def print_report(report: BatchReport, *, quiet: bool, as_json: bool, traceback: bool) -> None:
    """Print what went wrong to stderr, and the summary to stdout unless ``quiet`` or ``as_json`` is given.

    traceback : also print the tracebacks of unexpected errors
    """
    for problem in report.problems:
        _warn(problem.reason)
    for exam in report.exams:
        for clip in exam.clips:
            if clip.reason is not None:
                _warn(f"{exam.folder / clip.file}: {clip.reason}")
        if exam.status == ExamStatus.FAILED:
            _warn(exam_line(exam))
            if traceback and exam.trace:
                _warn(exam.trace)
        elif exam.reason is not None:
            _warn(f"{exam.animal} {exam.date}: {exam.reason}")
    if report.failure is not None:
        _warn(report.failure)
    if not report.exams and not report.problems:
        _warn(f"{report.root}: no recordings found. Exams are folders ANIMAL/DATE with clips in them.")
    if not quiet and not as_json:
        typer.echo(_summary(report))


def exam_line(exam: ExamReport) -> str:
    """One exam in one line: animal, date, number of clips, and how it ended."""
    if exam.status == ExamStatus.FAILED:
        return f"{exam.animal} {exam.date}: failed. {printable(exam.reason or '')}"
    refused = sum(clip.status == ClipStatus.REFUSED for clip in exam.clips)
    clips = plural(len(exam.clips), "clip") + (f", {refused} refused" if refused else "")
    return f"{exam.animal} {exam.date}: {clips}, {exam.status}"


def _warn(text: str) -> None:
    # Messages of decoders may quote what a file holds.
    typer.echo(printable_lines(text), err=True)


def _summary(report: BatchReport) -> str:
    lines = [
        f"{plural(len(report.exams), 'exam')}: {_count_by_status(ExamStatus, (exam.status for exam in report.exams))}",
        f"{plural(len(report.clips), 'clip')}: {_count_by_status(ClipStatus, (clip.status for clip in report.clips))}",
    ]
    if report.index is not None:
        lines.append(f"Open {report.index}")
    return "\n".join(lines)


def _count_by_status(kind: type[StrEnum], statuses: Iterable[StrEnum]) -> str:
    """Like "2 read, 1 refused", in the order of the enum."""
    numbers = Counter(statuses)
    return ", ".join(f"{numbers[status]} {status}" for status in kind if numbers[status]) or "none"
