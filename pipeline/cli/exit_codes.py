"""How a command ends, for the programs that start it."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.batch.events import BatchReport

__all__ = ["ExitCode", "batch_exit_code"]


class ExitCode(IntEnum):
    """How a command ends, for the programs that start it."""

    DONE = 0
    UNEXPECTED = 1
    USAGE = 2
    SOME_UNUSABLE = 3
    NOTHING_USABLE = 4
    REGRESSION = 5
    LOCKED = 75  # EX_TEMPFAIL of sysexits.h: try again later
    INTERRUPTED = 130  # 128 + SIGINT, as shells report it


def batch_exit_code(report: BatchReport) -> ExitCode:
    """The exit code of ``clutchlight batch`` for what a run did."""
    if report.failure is not None or any(exam.status == "failed" for exam in report.exams):
        return ExitCode.UNEXPECTED
    if all(clip.status == "refused" for clip in report.clips):
        return ExitCode.NOTHING_USABLE
    if report.problems or any(clip.status == "refused" for clip in report.clips):
        return ExitCode.SOME_UNUSABLE
    return ExitCode.DONE
