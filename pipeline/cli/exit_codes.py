"""Exit codes of all commands. This is the one place where they are defined and explained."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from pipeline.batch.run_report import ClipStatus, ExamStatus

if TYPE_CHECKING:
    from pipeline.batch.run_report import BatchReport

__all__ = ["EXIT_CODES_HELP", "ExitCode", "batch_exit_code"]


class ExitCode(IntEnum):
    """How a command ended, for cron, systemd and scripts. ``meaning`` is a sentence for people."""

    meaning: str

    def __new__(cls, value: int, meaning: str) -> ExitCode:
        code = int.__new__(cls, value)
        code._value_ = value
        code.meaning = meaning
        return code

    DONE = 0, "all done"
    UNEXPECTED = 1, "something unexpected failed"
    USAGE = 2, "wrong arguments, settings or folders, or a network without its calibration"
    SOME_UNUSABLE = 3, "done, but some clips or exams could not be used"
    NOTHING_USABLE = 4, "no usable clip was found"
    REGRESSION = 5, "a fine-tuned network became worse and was not written"
    DAMAGED = 6, "a check found damage"
    NOT_READY = 7, "not begun: the disk is too full, or the clock is wrong"
    LOCKED = 75, "another run is using the output folder (try again later)"  # EX_TEMPFAIL of sysexits.h
    INTERRUPTED = 130, "interrupted"  # 128 + SIGINT, as shells report it


EXIT_CODES_HELP = f"Exit codes: {'; '.join(f'{code.value} {code.meaning}' for code in ExitCode)}."


def batch_exit_code(report: BatchReport) -> ExitCode:
    """The exit code of ``clutchlight batch`` and ``clutchlight demo`` for a finished run."""
    if report.failure is not None or any(exam.status == ExamStatus.FAILED for exam in report.looked_at):
        return ExitCode.UNEXPECTED
    clips = report.clip_numbers
    if clips[ClipStatus.REFUSED] == sum(clips.values()):
        return ExitCode.NOTHING_USABLE
    if report.problems or clips[ClipStatus.REFUSED]:
        return ExitCode.SOME_UNUSABLE
    return ExitCode.DONE
