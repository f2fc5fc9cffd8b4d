"""The nightly run with all that belongs to it: what shows signatures is brought up to date with the journal first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from pipeline.batch.run import RunOptions, run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.exams.exam_search import ExamProblem
from pipeline.locations.location import Location
from pipeline.review.shown_signature import all_show_the_same
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pipeline.batch.workers import DetectorLoader

__all__ = ["run_batch_with_signatures"]


def run_batch_with_signatures(
    root: Location, out: Path, settings: Settings, load_detector: DetectorLoader, **options: Unpack[RunOptions]
) -> BatchReport:
    """`pipeline.batch.run.run_batch`, as ``clutchlight batch`` runs it and a program of your own should.

    Signed sheets that cannot be written anew are problems of the report.
    """
    problems: tuple[ExamProblem, ...] = ()
    if not all_show_the_same(out.resolve()):
        from pipeline.review.signature_files import rebuild_in  # slow to import, and most nights need none

        problems = tuple(ExamProblem(out, problem) for problem in rebuild_in(out.resolve(), settings))
    report = run_batch(root, out, settings, load_detector, **options)
    return replace(report, problems=(*problems, *report.problems))
