"""What a nightly run did: the status of every exam and clip, for the command line and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.exams.exam_search import ExamProblem

__all__ = ["BatchReport", "ClipReport", "ClipStatus", "ExamReport", "ExamStatus"]


class ClipStatus(StrEnum):
    """What a run did with a clip. The values appear in the JSON report."""

    READ = "read"  # in this run
    KEPT = "kept"  # its scan was in the store from an earlier run
    REFUSED = "refused"  # with a reason


class ExamStatus(StrEnum):
    """What a run did with an exam. The values appear in the JSON report."""

    WRITTEN = "written"  # in this run
    UNCHANGED = "unchanged"  # since an earlier run
    FAILED = "failed"  # with a reason


@dataclass(frozen=True)
class ClipReport:
    """One clip of a run.

    file : its name in the exam folder
    reason : why it was refused. For a clip that was used: why only part of it could be used, which other exams hold the
    same recording, or that its kept scan was damaged. None if there is nothing to report
    """

    file: str
    status: ClipStatus
    reason: str | None


@dataclass(frozen=True)
class ExamReport:
    """One exam of a run.

    date : ISO 8601
    folder : where its recordings are
    reason : why it failed, or that its kept result was damaged, else None
    written_to : its folder in the output, None if it failed
    trace : the traceback of an unexpected failure, else None
    """

    animal: str
    date: str
    folder: Path
    status: ExamStatus
    reason: str | None
    clips: tuple[ClipReport, ...]
    written_to: Path | None
    trace: str | None = None


@dataclass(frozen=True)
class BatchReport:
    """A whole run.

    problems : folders and files that could not be processed
    index : the page to open, None if none was written
    failure : why the overview files could not be written, else None
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
        """The report as a JSON document, with its keys in reading order. exit_code : of the command"""
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
