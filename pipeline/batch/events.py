"""What a nightly run reports while it works, for progress on a screen or in a log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.batch.run_report import ExamReport

__all__ = [
    "BatchEvent",
    "ClipEnded",
    "ClipStarted",
    "ClipsRead",
    "EventListener",
    "ExamFinished",
    "ExamStarted",
    "FramesRead",
    "NetworkLoading",
    "RunPlanned",
    "ignore_event",
]


@dataclass(frozen=True)
class NetworkLoading:
    """The network is being loaded, which takes seconds."""


@dataclass(frozen=True)
class RunPlanned:
    """The exams were found.

    exams, clips : how many are looked at, including those that an earlier run finished
    unchanged : exams that need no look
    """

    exams: int
    clips: int
    unchanged: int = 0


@dataclass(frozen=True)
class ExamStarted:
    """The clips of an exam are read, and its estimate begins, perhaps beside others. date : ISO 8601"""

    animal: str
    date: str


@dataclass(frozen=True)
class ClipStarted:
    """A clip is being read, perhaps beside others. date : ISO 8601"""

    animal: str
    date: str
    file: str


@dataclass(frozen=True)
class FramesRead:
    """More was read of any clip. frames : how many since the last event of this kind"""

    frames: int


@dataclass(frozen=True)
class ClipEnded:
    """A clip that was started is read, or cannot be."""

    animal: str
    date: str
    file: str


@dataclass(frozen=True)
class ClipsRead:
    """All clips are read, and all exams estimated.

    processor_s : of the processes that did this;  peak_memory_mib : of the largest of them
    """

    processor_s: float
    peak_memory_mib: int


@dataclass(frozen=True)
class ExamFinished:
    """An exam was written, found unchanged, or failed. These events have the order in which the exams were started."""

    report: ExamReport


BatchEvent = NetworkLoading | RunPlanned | ExamStarted | ClipStarted | FramesRead | ClipEnded | ClipsRead | ExamFinished
EventListener = Callable[[BatchEvent], None]


def ignore_event(event: BatchEvent) -> None:
    """A listener for callers that show no progress."""
