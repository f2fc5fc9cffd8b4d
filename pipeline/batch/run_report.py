"""What a nightly run did: the status of every exam and clip, for the command line and as JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.locations.location import Location, location

if TYPE_CHECKING:
    from pipeline.exams.exam_search import ExamProblem
    from pipeline.exams.folder_state import KnownExam
    from pipeline.report.waiting import WaitingExam

__all__ = ["BatchReport", "ClipReport", "ClipStatus", "ExamReport", "ExamStatus", "NetworkInUse"]


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


@dataclass(frozen=True, slots=True)
class ClipReport:
    """One clip of a run.

    file : its name in the exam folder
    reason : why it was refused. For a clip that was used: why only part of it could be used, which other exams hold the
    same recording, or that its kept scan was damaged. None if there is nothing to report
    """

    file: str
    status: ClipStatus
    reason: str | None


@dataclass(frozen=True, slots=True)
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
    folder: Location
    status: ExamStatus
    reason: str | None
    clips: tuple[ClipReport, ...]
    written_to: Path | None
    trace: str | None = None


@dataclass(frozen=True)
class NetworkInUse:
    """sha256 : of the weights file;  engine : what ran it"""

    name: str
    sha256: str
    engine: str


@dataclass(frozen=True)
class BatchReport:
    """A whole run.

    looked_at : the exams that needed a look, by animal and date;  known : those that did not
    problems : folders and files that could not be processed
    index : the page to open, None if none was written
    failure : why the overview files could not be written, else None
    warning : what is wrong with the results of all exams, None if nothing is
    network : None if there was no exam to read
    waiting : the exams that need a person, as on the index; None if the overview could not be written
    command : why the command after the night failed, None if it did not
    """

    root: Location
    out: Path
    looked_at: tuple[ExamReport, ...]
    problems: tuple[ExamProblem, ...]
    index: Path | None
    failure: str | None = None
    warning: str | None = None
    network: NetworkInUse | None = None
    waiting: tuple[WaitingExam, ...] | None = None
    command: str | None = None
    known: tuple[KnownExam, ...] = ()

    @property
    def exams(self) -> tuple[ExamReport, ...]:
        """All exams, by animal and date. After many years it takes seconds to list them."""
        unchanged = (_unchanged(exam, self.out) for exam in self.known)
        return tuple(sorted((*self.looked_at, *unchanged), key=lambda exam: (exam.animal, exam.date)))

    @property
    def clips(self) -> tuple[ClipReport, ...]:
        return tuple(clip for exam in self.exams for clip in exam.clips)

    @property
    def exam_numbers(self) -> dict[ExamStatus, int]:
        """How many exams there are of each status."""
        numbers = Counter(exam.status for exam in self.looked_at)
        numbers[ExamStatus.UNCHANGED] += len(self.known)
        return {status: numbers[status] for status in ExamStatus}

    @property
    def clip_numbers(self) -> dict[ClipStatus, int]:
        """How many clips there are of each status."""
        numbers = Counter(clip.status for exam in self.looked_at for clip in exam.clips)
        numbers[ClipStatus.KEPT] += sum(len(exam.clips) for exam in self.known)
        return {status: numbers[status] for status in ClipStatus}

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


def _unchanged(exam: KnownExam, out: Path) -> ExamReport:
    """The report of an exam that needed no look."""
    clips = tuple(ClipReport(file, ClipStatus.KEPT, None) for file in exam.clips)
    date, folder = exam.date.isoformat(), location(exam.folder)
    return ExamReport(exam.animal, date, folder, ExamStatus.UNCHANGED, None, clips, out / exam.results)
