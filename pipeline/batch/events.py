"""What a nightly run reports while it works, for progress on a screen or in a log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.batch.run_report import ExamReport

__all__ = [
    "BatchEvent",
    "ClipStarted",
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
    """date : ISO 8601"""

    animal: str
    date: str


@dataclass(frozen=True)
class ClipStarted:
    """A clip is being read. frames : how many its container declares, None if unknown"""

    file: str
    frames: int | None


@dataclass(frozen=True)
class FramesRead:
    """More of the current clip was read. frames : how many since the last event of this kind"""

    frames: int


@dataclass(frozen=True)
class ExamFinished:
    """An exam was written, found unchanged, or failed."""

    report: ExamReport


BatchEvent = NetworkLoading | RunPlanned | ExamStarted | ClipStarted | FramesRead | ExamFinished
EventListener = Callable[[BatchEvent], None]


def ignore_event(event: BatchEvent) -> None:
    """A listener for callers that show no progress."""
