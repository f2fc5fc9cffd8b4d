"""The index and the files over all exams where all are of one season."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.exams.exam_search import ExamProblem
from pipeline.report.index import index_pages
from pipeline.report.season import Night, NightlyRun, SeasonList
from pipeline.report.season_files import write_season_files
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.settings_tables import PLAIN_PAGES, PageSettings

NOBODY: Mapping[str, SignOff] = {}


def one_season(
    summaries: Sequence[ExamSummary], problems: Sequence[ExamProblem] = (), run: NightlyRun | None = None
) -> SeasonList:
    return SeasonList("2026", summaries, ("2026",), "2026", Night((), problems, run))


def index_html(
    summaries: Sequence[ExamSummary],
    problems: Sequence[ExamProblem],
    *,
    pages: PageSettings = PLAIN_PAGES,
    run: NightlyRun | None = None,
) -> bytes:
    """The first page."""
    return index_pages(one_season(summaries, problems, run), {}, pages)["index.html"]


def write_overview_files(
    out: Path,
    summaries: Sequence[ExamSummary],
    problems: Sequence[ExamProblem] = (),
    signed: Mapping[str, SignOff] = NOBODY,
    *,
    pages: PageSettings = PLAIN_PAGES,
) -> None:
    write_season_files(out, one_season(summaries, problems), signed, pages)
