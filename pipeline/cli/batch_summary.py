"""How a batch ended, in words: problems on stderr, the summary on stdout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import typer

from models.printable import printable, printable_lines
from pipeline.batch.run_report import BatchReport, ClipStatus, ExamReport, ExamStatus
from pipeline.formatting import plural
from pipeline.report.waiting import NEEDS

__all__ = ["exam_line", "print_report"]


MAX_TASKS = 5  # animals named for each group, so that the last lines fit a terminal


def print_report(report: BatchReport, *, quiet: bool, as_json: bool, traceback: bool) -> None:
    """Print what went wrong to stderr, and the summary to stdout unless ``quiet`` or ``as_json`` is given.

    traceback : also print the tracebacks of unexpected errors
    """
    for problem in report.problems:
        _warn(problem.reason)
    for exam in report.looked_at:
        for clip in exam.clips:
            if clip.reason is not None:
                _warn(f"{exam.folder / clip.file}: {clip.reason}")
        if exam.status == ExamStatus.FAILED:
            _warn(exam_line(exam))
            if traceback and exam.trace:
                _warn(exam.trace)
        elif exam.reason is not None:
            _warn(f"{exam.animal} {exam.date}: {exam.reason}")
    for failure in filter(None, (report.failure, report.command)):
        _warn(failure)
    if not sum(report.exam_numbers.values()) and not report.problems:
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
    exams, clips = report.exam_numbers, report.clip_numbers
    lines = [
        f"{plural(sum(exams.values()), 'exam')}: {_by_status(exams)}",
        f"{plural(sum(clips.values()), 'clip')}: {_by_status(clips)}",
    ]
    if report.index is not None:
        lines += ["", *_waiting_lines(report), f"Open {report.index.as_uri()}"]
    return "\n".join(lines)


def _waiting_lines(report: BatchReport) -> Iterator[str]:
    """Who needs whom, each with the page to open."""
    waiting = report.waiting or ()
    for need, title in NEEDS.items():
        exams = [exam for exam in waiting if exam.need == need]
        if need == "check" or not exams:
            continue
        yield f"{title}: {plural(len(exams), 'animal')}"
        for exam in exams[:MAX_TASKS]:
            yield f"  {printable(exam.animal)}: {printable(exam.what)}"
            yield f"    {(report.out / exam.folder / 'report.html').as_uri()}"
        if len(exams) > MAX_TASKS:
            yield f"  and {len(exams) - MAX_TASKS} more, see the index"
    numbers = Counter(exam.need for exam in waiting)
    if numbers["rescan"]:
        yield f"Slip for whoever scans: {(report.out / 'rescan.html').as_uri()}"
    if not numbers["vet today"]:
        yield "No animal was flagged for the vet today."
    if numbers["check"]:
        command = f"clutchlight review --out {printable(str(report.out))}"
        yield f"To check in the review: {plural(numbers['check'], 'animal')} ({command})"


def _by_status(numbers: Mapping[ExamStatus, int] | Mapping[ClipStatus, int]) -> str:
    """Like "2 read, 1 refused", in the order of the enum."""
    return ", ".join(f"{number} {status}" for status, number in numbers.items() if number) or "none"
