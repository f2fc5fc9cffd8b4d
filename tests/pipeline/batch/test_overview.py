"""The files over all exams are by season, and a night touches only those of seasons in which something changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.batch.overview import bring_overview_up_to_date
from pipeline.batch.overview_facts import begin_changes
from pipeline.batch.run_report import BatchReport
from pipeline.batch.stored_summaries import stored_exam
from pipeline.people.journal import Journal
from pipeline.report.summary import ExamSummary
from pipeline.settings_tables import PLAIN_PAGES, PageSettings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store
from tests.pipeline.report.example_exams import make_clutch

CLUTCH = make_clutch()  # flagged for the vet


class Night:
    """An output folder whose exams come from nowhere."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.store, self.journal, self.seen = Store(out), Journal(out), SeenFolders(out)
        self.run = self.store.start_run(settings_sha256="", model_sha256="", engine="")

    def add(self, animal: str, year: int, *, flagged: bool = False, month: int = 5) -> ExamSummary:
        exam = replace(CLUTCH.exam, animal=animal, date=dt.date(year, month, 14))
        finding = CLUTCH.finding if flagged else replace(CLUTCH.finding, flags=())
        summary = replace(CLUTCH.summary, exam=exam, finding=finding, folder=f"{animal}/{exam.date}")
        begin_changes(self.seen)
        self.store.save_exam(stored_exam(summary, f"{animal} {year} {flagged}"), self.run)
        return summary

    def end(self, pages: PageSettings = PLAIN_PAGES) -> BatchReport:
        report = BatchReport(self.out, self.out, (), (), None)
        return bring_overview_up_to_date(report, self.store, self.journal, self.seen, 1, pages)

    def written(self, pages: PageSettings = PLAIN_PAGES) -> set[str]:
        """The files that the end of a night writes."""
        before = self.files()
        self.end(pages)
        return {name for name, number in self.files().items() if before.get(name) != number}

    def files(self) -> dict[str, int]:
        found = [path for path in self.out.rglob("*") if path.suffix in (".html", ".csv", ".js", ".parquet")]
        return {str(path.relative_to(self.out)): path.stat().st_ino for path in found if path.is_file()}

    def text(self, name: str) -> str:
        return (self.out / name).read_text(encoding="utf-8")


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    night = Night(tmp_path / "out")
    with night.store, closing(night.journal), closing(night.seen):
        yield night


def of_season(season: str) -> set[str]:
    return {
        f"index-{season}.html",
        f"index-{season}.js",
        *(f"{name}.parquet/season={season}/part-0.parquet" for name in ("animals", "eggs")),
    }


CURRENT = {"index.html", "rescan.html", "summary.csv", "eggs.csv"}


def earlier(season: str) -> set[str]:
    return {f"summary-{season}.csv", f"eggs-{season}.csv", *of_season(season)}


def test_only_the_seasons_that_changed_are_written(night: Night) -> None:
    for year in (2024, 2025, 2026):
        night.add("AF-1", year)
    assert night.written() == CURRENT | of_season("2026") | earlier("2025") | earlier("2024")
    assert night.written() == {"index.html"}  # its date
    night.add("AF-2", 2024)
    assert night.written() == {"index.html"} | earlier("2024")
    night.add("AF-3", 2026)
    assert night.written() == CURRENT | of_season("2026")
    begin_changes(night.seen)  # a night that was killed before it changed anything
    assert night.written() == {"index.html"}
    (night.out / "eggs-2025.csv").unlink()
    begin_changes(night.seen)
    assert night.written() == {"index.html"} | earlier("2025")


def test_the_first_exam_of_a_season_makes_it_the_current_one(night: Night) -> None:
    night.add("AF-1", 2025)
    night.end()
    assert "AF-1" in night.text("summary.csv")
    night.add("AF-2", 2026)
    night.end()
    assert "AF-1" not in night.text("summary.csv")
    assert "AF-1" in night.text("summary-2025.csv")
    assert "AF-1" in night.text("index-2025.html")
    assert "AF-1" not in night.text("index.html")


def test_who_waits_stays_on_the_first_page_until_a_later_exam(night: Night) -> None:
    night.add("AF-1", 2024, flagged=True)
    night.add("AF-2", 2026)
    report = night.end()
    assert "AF-1/2024-05-14/report.html" in night.text("index.html")
    assert [exam.folder for exam in report.waiting] == ["AF-1/2024-05-14"]
    night.add("AF-1", 2025)
    report = night.end()
    assert "AF-1/" not in night.text("index.html")
    assert report.waiting == ()


def test_an_exam_dated_in_the_future_does_not_bring_the_next_season(night: Night) -> None:
    this_year = dt.datetime.now(dt.UTC).year
    night.add("AF-1", this_year, month=1)
    night.add("AF-2", 2199)
    night.end()
    assert "AF-1" in night.text("summary.csv")
    assert "AF-2" in night.text("summary-2199.csv")


def test_another_first_month_leaves_no_file_of_the_seasons_before(night: Night) -> None:
    for year in (2024, 2025):
        night.add("AF-1", year)
    night.end()
    night.end(PageSettings(season_first_month=7))
    assert night.files().keys() == CURRENT | of_season("2024-2025") | earlier("2023-2024")


def test_tables_of_earlier_versions_make_way_for_their_folders(night: Night) -> None:
    (night.out / "animals.parquet").write_bytes(b"PAR1")
    night.add("AF-1", 2026)
    night.end()
    assert (night.out / "animals.parquet" / "season=2026" / "part-0.parquet").is_file()
