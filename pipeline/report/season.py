"""The exams of one season, as its index and its tables list them, and the names of those files."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.seasons import season_of
from pipeline.settings_tables import PageSettings

if TYPE_CHECKING:
    from pipeline.report.summary import ExamSummary  # slow to import, and a night with nothing new needs names alone

__all__ = ["EGGS_PARQUET", "EXAMS_PARQUET", "Night", "NightlyRun", "SeasonFiles", "SeasonList", "lasting_index_of"]

EXAMS_PARQUET, EGGS_PARQUET = "animals.parquet", "eggs.parquet"
"""Folders with a part for each season, as Hive and the libraries that read Parquet name them."""


@dataclass(frozen=True)
class NightlyRun:
    """ended : with its time zone;  exams, clips : how many the run covered;  root : the folder of the recordings"""

    ended: dt.datetime
    exams: int
    clips: int
    root: str


@dataclass(frozen=True)
class Night:
    """What the index of the current season shows besides its exams.

    waiting : last exams of animals, of other seasons, that wait for a person
    problems : what could not be processed;  run : the run that wrote the page, None if that is not known
    """

    waiting: Sequence[ExamSummary] = ()
    problems: Sequence[ExamProblem] = ()
    run: NightlyRun | None = None


@dataclass(frozen=True)
class SeasonFiles:
    """The names of a season's files, relative to the output folder. Those of the current season bear no year."""

    season: str
    is_current: bool

    @property
    def index(self) -> str:
        return self._name("index", "html")

    @property
    def lasting_index(self) -> str:
        """The name under which the index is found whatever season is current; of the current one, it leads there."""
        return f"index-{self.season}.html"

    @property
    def exams_csv(self) -> str:
        return self._name("summary", "csv")

    @property
    def eggs_csv(self) -> str:
        return self._name("eggs", "csv")

    @property
    def exams_parquet(self) -> str:
        return f"{EXAMS_PARQUET}/season={self.season}/part-0.parquet"

    @property
    def eggs_parquet(self) -> str:
        return f"{EGGS_PARQUET}/season={self.season}/part-0.parquet"

    @property
    def search(self) -> str:
        """What the search over all seasons reads."""
        return f"index-{self.season}.js"

    @property
    def tables(self) -> tuple[str, str, str, str]:
        return self.exams_csv, self.eggs_csv, self.exams_parquet, self.eggs_parquet

    @property
    def all(self) -> tuple[str, ...]:
        """Without the further pages of the index."""
        return (self.index, self.lasting_index, self.search, *self.tables)

    def are_in(self, out: Path) -> bool:
        """Whether all are there, but for the further pages of the index."""
        return all((out / name).is_file() for name in self.all)

    def further_index(self, page: int) -> str:
        """A page of the index after the first. page : from 2"""
        return f"index-{self.season}-page-{page}.html"

    def _name(self, stem: str, suffix: str) -> str:
        return f"{stem}.{suffix}" if self.is_current else f"{stem}-{self.season}.{suffix}"


def lasting_index_of(date: dt.date, pages: PageSettings) -> str:
    """That of the season in which a day falls."""
    return SeasonFiles(season_of(date, pages.season_first_month).name, is_current=False).lasting_index


@dataclass(frozen=True)
class SeasonList:
    """season : its name;  seasons : the names of all, the latest first;  current : the name of the current one

    night : of the current season, None for others
    """

    season: str
    summaries: Sequence[ExamSummary]
    seasons: tuple[str, ...]
    current: str
    night: Night | None = None

    @property
    def files(self) -> SeasonFiles:
        return SeasonFiles(self.season, self.season == self.current)

    @property
    def listed(self) -> list[ExamSummary]:
        """The exams on the index: of the season, and those that wait."""
        return [*self.summaries, *(self.night.waiting if self.night else ())]
