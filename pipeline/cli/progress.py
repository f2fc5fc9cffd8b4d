"""Progress of a command on stderr: one plain line for each task on a terminal, lines elsewhere, nothing if quiet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import Progress, ProgressColumn, Task, TaskID, TextColumn
from rich.text import Text

from pipeline.batch.events import (
    BatchEvent,
    ClipEnded,
    ClipStarted,
    EventListener,
    ExamFinished,
    ExamStarted,
    FramesRead,
    NetworkLoading,
    RunPlanned,
    ignore_event,
)
from pipeline.batch.run_report import ClipStatus, ExamStatus
from pipeline.cli.batch_summary import exam_line
from pipeline.formatting import plural

__all__ = ["StepProgress", "show_batch_progress", "show_step_progress"]


@contextmanager
def show_batch_progress(*, quiet: bool) -> Iterator[EventListener]:
    """A listener that shows the events of a batch."""
    console = Console(stderr=True, highlight=False)
    if quiet:
        yield ignore_event
    elif console.is_terminal:
        with _progress_lines(console) as progress:
            yield _BatchProgress(progress)
    else:
        yield _BatchLines(console)


@contextmanager
def show_step_progress(description: str, *, quiet: bool) -> Iterator[StepProgress]:
    """A callable for work in steps, to be called with the steps done and, if known, their total number."""
    console = Console(stderr=True, highlight=False)
    if quiet or not console.is_terminal:
        if not quiet:
            _print_line(console, description)
        yield StepProgress(None, None)
        return
    with _progress_lines(console) as progress:
        yield StepProgress(progress, progress.add_task(description, total=None))


class StepProgress:
    """Updates one line, or does nothing if there is none."""

    def __init__(self, progress: Progress | None, task: TaskID | None) -> None:
        self._progress = progress
        self._task = task

    def __call__(self, done: int, total: int | None = None) -> None:
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, completed=done, total=total)


class _BatchLines:
    """One line for each exam, for a log."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._exams = 0
        self._finished = 0

    def __call__(self, event: BatchEvent) -> None:
        match event:
            case RunPlanned(exams, clips, unchanged):
                self._exams = exams
                others = f"; {plural(unchanged, 'exam')} unchanged" if unchanged else ""
                _print_line(self._console, f"{plural(exams, 'exam')}, {plural(clips, 'clip')}{others}")
            case ExamFinished(report):
                self._finished += 1
                _print_line(self._console, f"[{self._finished}/{self._exams}] {exam_line(report)}")
            case _:
                pass


class _BatchProgress:
    """A line for all clips of the run, and one for the frames read so far and the clips that are being read."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._all_clips: TaskID | None = None
        self._frames: TaskID | None = None
        self._network: TaskID | None = None
        self._being_read: list[str] = []

    def __call__(self, event: BatchEvent) -> None:
        progress = self._progress
        match event:
            case NetworkLoading():
                self._network = progress.add_task("Loading the network", total=None)
            case RunPlanned(_, clips, _):
                self._all_clips = progress.add_task("All clips", total=clips)
            case ExamStarted():
                self._remove_network_line()
            case ClipStarted(animal, date, file):
                self._remove_network_line()
                self._being_read.append(f"{animal} {date} {file}")
                self._show_clips()
            case ClipEnded(animal, date, file):
                self._being_read.remove(f"{animal} {date} {file}")
                self._show_clips()
            case FramesRead(frames):
                if self._frames is not None:
                    progress.advance(self._frames, frames)
            case ExamFinished(report):
                if self._all_clips is not None:
                    progress.advance(self._all_clips, len(report.clips))
                if report.status == ExamStatus.FAILED or any(
                    clip.status == ClipStatus.REFUSED for clip in report.clips
                ):
                    _print_line(progress.console, exam_line(report))
            case _:
                pass

    def _show_clips(self) -> None:
        if self._frames is None:
            self._frames = self._progress.add_task("", total=None)
        description = f"Frames: {', '.join(self._being_read)}" if self._being_read else "Frames"
        self._progress.update(self._frames, description=description)

    def _remove_network_line(self) -> None:
        if self._network is not None:
            self._progress.remove_task(self._network)
            self._network = None


class _Remaining(ProgressColumn):
    """How far a task is and how long it may still take: "12 of 40, 0:01:20 left"."""

    def render(self, task: Task) -> Text:
        if task.total is None:
            return Text("")
        done = f"{task.completed:,.0f} of {task.total:,.0f}"
        seconds = task.time_remaining
        return Text(done if seconds is None or task.finished else f"{done}, {dt.timedelta(seconds=int(seconds))} left")


def _progress_lines(console: Console) -> Progress:
    text = TextColumn("{task.description}", markup=False)
    return Progress(text, _Remaining(), console=console, transient=True)


def _print_line(console: Console, text: str) -> None:
    # Without wrapping and markup, since paths and names may be long and contain brackets.
    console.print(text, markup=False, soft_wrap=True)
