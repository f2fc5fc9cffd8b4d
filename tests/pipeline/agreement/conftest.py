"""Exams and outcomes of example animals, with only what agreement needs."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from pipeline.estimate.results import Count, ExamFinding
from pipeline.exams.exam import Exam
from pipeline.exams.outcomes import Outcome, OutcomeKind
from pipeline.report.summary import ExamSummary

MAY = dt.date(2026, 5, 1)


def day(number: int) -> dt.date:
    """The date that many days after 1 May 2026."""
    return MAY + dt.timedelta(days=number)


def exam(
    on: int,
    estimate: int = 8,
    *,
    animal: str = "AF-0412",
    species: str | None = "Emys orbicularis",
    scanned_by: str | None = None,
    passed_before: int = 0,
    frames_used: int = 100,
) -> ExamSummary:
    """An exam on a day. Its 90 % interval reaches one egg down and two up."""
    shelled = Count(0, estimate, (max(0, estimate - 1), estimate + 2))
    return ExamSummary(
        exam=Exam(Path(animal), animal, day(on), species, None, None, None, passed_before, (), scanned_by),
        finding=ExamFinding(shelled, Count(0, 0, (0, 0)), "calcified", 0.9, 0.8, (), ()),
        folder=f"{animal}/{day(on)}",
        clips=1,
        clips_refused=0,
        frames=100,
        frames_used=frames_used,
        windows="both windows scanned",
        median_shelled_mm=None,
    )


def outcome(
    kind: OutcomeKind, on: int, number: int | None, *, animal: str = "AF-0412", withdrawn: bool = False
) -> Outcome:
    return Outcome(animal, kind, day(on), number, withdrawn=withdrawn)
