"""Writes the files of the seasons in which an exam or a signature has changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.batch.overview_facts import CURRENT_FACT, save_waiting
from pipeline.batch.seasons_in_store import SeasonsInStore
from pipeline.batch.stored_summaries import read_summaries
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.seasons import Season
from pipeline.people.event_log import ExamKey
from pipeline.report.priority import waiting_exams
from pipeline.report.run_line import redate_index
from pipeline.report.season import Night, NightlyRun, SeasonFiles, SeasonList
from pipeline.report.season_files import remove_other_seasons, write_season_files
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.settings_tables import PageSettings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store, StoredExam

__all__ = ["SeasonOverview"]


@dataclass(frozen=True)
class SeasonOverview:
    """Writes the files of seasons. What each of them showed last is remembered as a digest."""

    out: Path
    store: Store
    seen: SeenFolders
    seasons: SeasonsInStore
    pages: PageSettings
    result_version: int

    def write_changed_seasons(self, problems: Sequence[ExamProblem], run: NightlyRun) -> list[ExamProblem]:
        """Returns what another version wrote in another format. problems : others, for the index"""
        current = self.seasons.current
        unreadable: list[ExamProblem] = []
        for season in self.seasons.every:
            if season != current:
                unreadable += self._write_if_changed(season, None)
        # Last, since its index lists the problems of all.
        waiting, _ = read_summaries(self._waiting(), self.out)
        unreadable += self._write_if_changed(current, Night(waiting, (*problems, *unreadable), run))
        self.seen.save_fact(CURRENT_FACT, current.name)
        remove_other_seasons(self.out, [self._files(season) for season in self.seasons.every])
        return unreadable

    def _write_if_changed(self, season: Season, night: Night | None) -> list[ExamProblem]:
        content: list[object] = [self.result_version, self.pages.model_dump(mode="json")]
        if night is not None:
            reasons = [(str(problem.path), problem.reason) for problem in night.problems]
            content += [self.seasons.waiting, reasons, (self.out / "agreement.html").is_file()]
        shown, fact = self.seasons.digest(season, *content), f"season {season.name}"
        if self.seen.fact(fact) == shown and self._files(season).are_in(self.out):
            if night is not None and night.run is not None:
                redate_index(self.out, night.run, self.pages)
            return []
        days = season.first.isoformat(), season.end.isoformat()
        summaries, unread = read_summaries(self.store.exams_between(*days), self.out)
        if night is not None:
            night = replace(night, problems=(*night.problems, *unread))
        names = tuple(each.name for each in self.seasons.every)
        exams = SeasonList(season.name, summaries, names, self.seasons.current.name, night)
        signed = self._signed(exams.listed)
        write_season_files(self.out, exams, signed, self.pages)
        if night is not None:
            waiting = waiting_exams(exams.listed, signed)
            save_waiting(self.seen, waiting)
        self.seen.save_fact(fact, None if unread else shown)
        return unread

    def _files(self, season: Season) -> SeasonFiles:
        return SeasonFiles(season.name, season == self.seasons.current)

    def _waiting(self) -> Iterator[StoredExam]:
        found = (self.store.exam(animal, date) for animal, date, _ in self.seasons.waiting)
        return (exam for exam in found if exam is not None)

    def _signed(self, summaries: Sequence[ExamSummary]) -> dict[str, SignOff]:
        keys = {summary.folder: ExamKey(summary.exam.animal, summary.exam.date.isoformat()) for summary in summaries}
        signatures = self.seasons.signatures
        return {folder: SignOff.of(signatures[key]) for folder, key in keys.items() if key in signatures}
