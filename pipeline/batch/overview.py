"""The files over all exams, brought up to date after a run, season by season.

Only seasons in which an exam or a signature has changed are read and written. Where nothing at all has changed, the
index says when the run ended.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import astuple, replace

from pipeline.batch.exam_basis import json_digest
from pipeline.batch.overview_facts import CURRENT_FACT, FACT, waiting_exams
from pipeline.batch.run_report import BatchReport
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import StoredSignature, current_signatures
from pipeline.report.run_line import redate_index
from pipeline.report.season import NightlyRun, SeasonFiles
from pipeline.settings_tables import PageSettings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store

__all__ = ["bring_overview_up_to_date"]


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
    if seen.fact(FACT) == shown and current and SeasonFiles(current, True).are_in(out):
        redate_index(out, run, pages)
    else:
        # Slow to import, and a night with nothing new needs neither.
        from pipeline.batch.season_overview import SeasonOverview
        from pipeline.batch.seasons_in_store import SeasonsInStore

        seasons = SeasonsInStore.of(store, signatures, pages.season_first_month, run.ended.date())
        overview = SeasonOverview(out, store, seen, seasons, pages, result_version)
        unreadable = overview.write_changed_seasons(report.problems, run)
        report = replace(report, problems=(*report.problems, *unreadable))
        for problem in unreadable:  # the next run estimates them anew
            seen.forget(problem.path.parent.name, problem.path.name)
        if not unreadable:
            seen.save_fact(FACT, shown)
    return replace(report, index=out / "index.html", waiting=waiting_exams(seen))


def _digest(
    report: BatchReport, signatures: Mapping[ExamKey, StoredSignature], result_version: int, pages: PageSettings
) -> str:
    signed = sorted((*key, *astuple(signature)) for key, signature in signatures.items())
    reasons = [(str(problem.path), problem.reason) for problem in report.problems]
    has_agreement_page = (report.out / "agreement.html").is_file()
    return json_digest([reasons, signed, has_agreement_page, result_version, pages.model_dump(mode="json")])
