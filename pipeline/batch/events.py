"""What a night's run did, and what it says while it works: values that the command line shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from pipeline.exams.exam_search import ExamProblem

__all__ = [
    "BatchEvent",
    "BatchReport",
    "ClipReport",
    "ClipStarted",
    "EventListener",
    "ExamFinished",
    "ExamReport",
    "ExamStarted",
    "FramesRead",
    "NetworkLoading",
    "RunPlanned",
]


@dataclass(frozen=True)
class ClipReport:
    """One recording. "read" in this run, "kept" from an earlier one, or "refused" with a reason.

    file : name in the exam folder
    reason : for a clip that was read or kept, why only a part of it could be used; else None
    """

    file: str
    status: Literal["read", "kept", "refused"]
    reason: str | None


@dataclass(frozen=True)
class ExamReport:
    """One exam. "written" in this run, "unchanged" since an earlier one, or "failed" with a reason.

    folder : where its recordings lie;  written_to : its folder in the output, None if it failed
    trace : the traceback of an unexpected failure
    """

    animal: str
    date: str
    folder: Path
    status: Literal["written", "unchanged", "failed"]
    reason: str | None
    clips: tuple[ClipReport, ...]
    written_to: Path | None
    trace: str | None = None


@dataclass(frozen=True)
class BatchReport:
    """All of a run. index : the page to open, None if none was written;  failure : why it could not be

    warning : what is wrong with the results of all exams, None if nothing is
    """

    root: Path
    out: Path
    exams: tuple[ExamReport, ...]
    problems: tuple[ExamProblem, ...]
    index: Path | None
    failure: str | None = None
    warning: str | None = None

    @property
    def clips(self) -> tuple[ClipReport, ...]:
        return tuple(clip for exam in self.exams for clip in exam.clips)

    def document(self, exit_code: int) -> dict[str, Any]:
        """The report as a JSON document, keys in reading order. exit_code : with which the command ends"""
        return {
            "schema": "clutchlight/batch-report/1",
            "exit_code": int(exit_code),
            "root": str(self.root),
            "out": str(self.out),
            "index": None if self.index is None else str(self.index),
            "failure": self.failure,
            "warning": self.warning,
            "exams": [
                {
                    "animal": exam.animal,
                    "exam": exam.date,
                    "folder": str(exam.folder),
                    "status": exam.status,
                    "reason": exam.reason,
                    "written_to": None if exam.written_to is None else str(exam.written_to),
                    "clips": [{"file": clip.file, "status": clip.status, "reason": clip.reason} for clip in exam.clips],
                }
                for exam in self.exams
            ],
            "problems": [{"path": str(problem.path), "reason": problem.reason} for problem in self.problems],
        }


@dataclass(frozen=True)
class NetworkLoading:
    """The network is being loaded, which takes seconds."""


@dataclass(frozen=True)
class RunPlanned:
    """exams, clips : how many there are, finished ones included."""

    exams: int
    clips: int


@dataclass(frozen=True)
class ExamStarted:
    animal: str
    date: str


@dataclass(frozen=True)
class ClipStarted:
    """A clip that is being read. frames : as its container says, None where it does not."""

    file: str
    frames: int | None


@dataclass(frozen=True)
class FramesRead:
    """frames : how many more of the clip."""

    frames: int


@dataclass(frozen=True)
class ExamFinished:
    report: ExamReport


BatchEvent = NetworkLoading | RunPlanned | ExamStarted | ClipStarted | FramesRead | ExamFinished
EventListener = Callable[[BatchEvent], None]
