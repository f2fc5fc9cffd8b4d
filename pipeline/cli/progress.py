"""Talk on stderr while a command works: bars on a terminal, lines elsewhere, nothing when asked for quiet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

from pipeline.batch.events import (
    BatchEvent,
    BatchReport,
    ClipStarted,
    EventListener,
    ExamFinished,
    ExamReport,
    ExamStarted,
    FramesRead,
    NetworkLoading,
    RunPlanned,
)

__all__ = ["count_of", "exam_line", "print_report", "show_batch_progress", "show_step_progress"]


@contextmanager
def show_batch_progress(*, quiet: bool) -> Iterator[EventListener]:
    """A listener that shows a night's events as they come."""
    console = Console(stderr=True, highlight=False)
    if quiet:
        yield lambda event: None
    elif console.is_terminal:
        with _bars(console) as progress:
            yield _Bars(progress)
    else:
        yield _Lines(console)


@contextmanager
def show_step_progress(what: str, *, quiet: bool) -> Iterator[_Steps]:
    """A callable for work in steps: call it with the steps done and, where known, their number."""
    console = Console(stderr=True, highlight=False)
    if quiet or not console.is_terminal:
        if not quiet:
            _say(console, what)
        yield _Steps(None, None)
        return
    with _bars(console) as progress:
        yield _Steps(progress, progress.add_task(what, total=None))


class _Steps:
    def __init__(self, progress: Progress | None, task: TaskID | None) -> None:
        self._progress = progress
        self._task = task

    def __call__(self, done: int, total: int | None = None) -> None:
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, completed=done, total=total)


class _Lines:
    """One line an exam, for a log."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._exams = 0
        self._ended = 0

    def __call__(self, event: BatchEvent) -> None:
        match event:
            case RunPlanned(exams, clips):
                self._exams = exams
                _say(self._console, f"{count_of(exams, 'exam')}, {count_of(clips, 'clip')}")
            case ExamFinished(outcome):
                self._ended += 1
                _say(self._console, f"[{self._ended}/{self._exams}] {exam_line(outcome)}")
            case _:
                pass


class _Bars:
    """A bar over the night's clips and one over the frames of the clip that is being read."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._night: TaskID | None = None
        self._clip: TaskID | None = None
        self._waiting: TaskID | None = None
        self._exam = ""

    def __call__(self, event: BatchEvent) -> None:
        progress = self._progress
        match event:
            case NetworkLoading():
                self._waiting = progress.add_task("Loading the network", total=None)
            case RunPlanned(_, clips):
                self._night = progress.add_task("All clips", total=clips)
            case ExamStarted(animal, date):
                self._exam = f"{animal} {date}"
                if self._waiting is not None:
                    progress.remove_task(self._waiting)
                    self._waiting = None
            case ClipStarted(file, frames):
                self._end_clip()
                self._clip = progress.add_task(f"{self._exam} {file}", total=frames)
            case FramesRead(frames):
                if self._clip is not None:
                    progress.advance(self._clip, frames)
            case ExamFinished(outcome):
                self._end_clip()
                if self._night is not None:
                    progress.advance(self._night, len(outcome.clips))
                if outcome.status == "failed" or any(clip.status == "refused" for clip in outcome.clips):
                    _say(progress.console, exam_line(outcome))

    def _end_clip(self) -> None:
        if self._clip is not None:
            self._progress.remove_task(self._clip)
            self._clip = None


def print_report(report: BatchReport, *, quiet: bool, as_json: bool, traceback: bool) -> None:
    """What went wrong to stderr, and the rest to stdout unless it is asked to be quiet or taken by JSON."""
    for problem in report.problems:
        typer.echo(problem.reason, err=True)
    for exam in report.exams:
        for clip in exam.clips:
            if clip.reason is not None:
                typer.echo(f"{exam.folder / clip.file}: {clip.reason}", err=True)
        if exam.status == "failed":
            typer.echo(f"{exam.animal} {exam.date}: failed. {exam.reason}", err=True)
            if traceback and exam.trace:
                typer.echo(exam.trace, err=True)
    if report.failure is not None:
        typer.echo(report.failure, err=True)
    if not report.exams and not report.problems:
        typer.echo(f"{report.root}: no recordings found. Exams are folders ANIMAL/DATE with clips in them.", err=True)
    if not quiet and not as_json:
        typer.echo(_summary(report))


def _summary(report: BatchReport) -> str:
    exams: Counter[str] = Counter(exam.status for exam in report.exams)
    clips: Counter[str] = Counter(clip.status for clip in report.clips)
    lines = [
        f"{count_of(len(report.exams), 'exam')}: {_listed(exams, ('written', 'unchanged', 'failed'))}",
        f"{count_of(len(report.clips), 'clip')}: {_listed(clips, ('read', 'kept', 'refused'))}",
    ]
    if report.index is not None:
        lines.append(f"Open {report.index}")
    return "\n".join(lines)


def _listed(numbers: Mapping[str, int], names: Sequence[str]) -> str:
    return ", ".join(f"{numbers[name]} {name}" for name in names if numbers[name]) or "none"


def exam_line(outcome: ExamReport) -> str:
    """One exam in one line: who, when, how many clips, and how it ended."""
    refused = sum(clip.status == "refused" for clip in outcome.clips)
    clips = count_of(len(outcome.clips), "clip") + (f", {refused} refused" if refused else "")
    if outcome.status == "failed":
        return f"{outcome.animal} {outcome.date}: failed. {outcome.reason}"
    return f"{outcome.animal} {outcome.date}: {clips}, {outcome.status}"


def count_of(number: int, noun: str) -> str:
    """
    >>> count_of(1, "clip"), count_of(2, "clip")
    ('1 clip', '2 clips')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _bars(console: Console) -> Progress:
    return Progress(
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )


def _say(console: Console, text: str) -> None:
    # Never folded and never read as markup: paths and names may be long and hold brackets.
    console.print(text, markup=False, soft_wrap=True)
