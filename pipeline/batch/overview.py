"""The files over all exams, brought up to date after a run, season by season.

Only seasons in which an exam or a signature has changed are read and written. Where nothing at all has changed, the
index says when the run ended.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter

from pipeline.batch.exam_basis import json_digest
from pipeline.batch.run_report import BatchReport
from pipeline.batch.seasons_in_store import SeasonsInStore
from pipeline.batch.stored_summaries import read_summaries
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.seasons import Season
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import StoredSignature, current_signatures
from pipeline.report.priority import waiting_exams
from pipeline.report.season import Night, NightlyRun, SeasonFiles, SeasonList
from pipeline.report.season_files import has_season_files, redate_index, remove_other_seasons, write_season_files
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.report.waiting import WaitingExam
from pipeline.settings import PageSettings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store, StoredExam

__all__ = ["begin_changes", "bring_overview_up_to_date"]

FACT, WAITING_FACT, CURRENT_FACT = "overview", "waiting", "current season"

_WAITING = TypeAdapter(tuple[WaitingExam, ...])


def begin_changes(seen: SeenFolders) -> None:
    """Exams may change from here on, so the seasons must be compared, also if this run is killed."""
    seen.save_fact(FACT, None)


def bring_overview_up_to_date(
    report: BatchReport, store: Store, journal: Journal, seen: SeenFolders, result_version: int, pages: PageSettings
) -> BatchReport:
    """Write the files of each season that has changed; where none has, only when the run ended.

    Raises StoreError, OutputError.
    """
    out = report.out
    signatures = current_signatures(EventLog(journal))
    shown = _digest(report, signatures, result_version, pages)
    clips = sum(report.clip_numbers.values())
    run = NightlyRun(dt.datetime.now(dt.UTC), sum(report.exam_numbers.values()), clips, str(report.root))
    current = seen.fact(CURRENT_FACT)
    if seen.fact(FACT) == shown and current and has_season_files(out, SeasonFiles(current, True)):
        redate_index(out, run, pages)
    else:
        seasons = SeasonsInStore.of(store, signatures, pages.season_first_month, run.ended.date())
        overview = _Overview(out, store, seen, seasons, pages, result_version)
        unreadable = overview.write_changed_seasons(report.problems, run)
        report = replace(report, problems=(*report.problems, *unreadable))
        for problem in unreadable:  # the next run estimates them anew
            seen.forget(problem.path.parent.name, problem.path.name)
        if not unreadable:
            seen.save_fact(FACT, shown)
    waiting = _WAITING.validate_json(seen.fact(WAITING_FACT) or "[]")
    return replace(report, index=out / "index.html", waiting=waiting)


@dataclass(frozen=True)
class _Overview:
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
        if self.seen.fact(fact) == shown and has_season_files(self.out, self._files(season)):
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
            self.seen.save_fact(WAITING_FACT, _WAITING.dump_json(waiting).decode())
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


def _digest(
    report: BatchReport, signatures: Mapping[ExamKey, StoredSignature], result_version: int, pages: PageSettings
) -> str:
    signed = sorted((*key, *astuple(signature)) for key, signature in signatures.items())
    reasons = [(str(problem.path), problem.reason) for problem in report.problems]
    has_agreement_page = (report.out / "agreement.html").is_file()
    return json_digest([reasons, signed, has_agreement_page, result_version, pages.model_dump(mode="json")])
