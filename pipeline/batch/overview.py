"""The files over all exams, brought up to date after a run. Where nothing in them would change they are left alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import astuple, replace

from pydantic import TypeAdapter

from pipeline.batch.exam_basis import json_digest
from pipeline.batch.run_report import BatchReport
from pipeline.batch.stored_summaries import read_summaries
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import StoredSignature, current_signatures
from pipeline.report.index import NightlyRun
from pipeline.report.output_files import OVERVIEW_FILES, redate_index, write_overview_files
from pipeline.report.priority import waiting_exams
from pipeline.report.sign_off import SignOff
from pipeline.report.waiting import WaitingExam
from pipeline.settings import PageSettings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store

__all__ = ["begin_changes", "bring_overview_up_to_date", "mark_as_shown"]

FACT, WAITING_FACT = "overview", "waiting"


_WAITING = TypeAdapter(tuple[WaitingExam, ...])


def begin_changes(seen: SeenFolders) -> None:
    """Exams may change from here on, so the files over all exams must be written again, also if this run is killed."""
    seen.save_fact(FACT, None)


def bring_overview_up_to_date(
    report: BatchReport, store: Store, journal: Journal, seen: SeenFolders, result_version: int, pages: PageSettings
) -> BatchReport:
    """Write the files over all exams; where they show just this already, only when the run ended.

    Raises StoreError, OutputError.
    """
    out, index = report.out, report.out / "index.html"
    signatures = current_signatures(EventLog(journal))
    shown = _digest(report, signatures, result_version, pages)
    clips = sum(report.clip_numbers.values())
    run = NightlyRun(dt.datetime.now(dt.UTC), sum(report.exam_numbers.values()), clips, str(report.root))
    if seen.fact(FACT) == shown and all((out / name).is_file() for name in OVERVIEW_FILES):
        redate_index(out, run, pages)
        return replace(report, index=index, waiting=_WAITING.validate_json(seen.fact(WAITING_FACT) or "[]"))
    summaries, unreadable = read_summaries(store, out)
    report = replace(report, problems=(*report.problems, *unreadable))
    keys = {summary.folder: ExamKey(summary.exam.animal, summary.exam.date.isoformat()) for summary in summaries}
    signed = {folder: SignOff.of(signatures[key]) for folder, key in keys.items() if key in signatures}
    write_overview_files(out, summaries, report.problems, signed, pages=pages, run=run)
    waiting = waiting_exams(summaries, signed)
    seen.save_fact(WAITING_FACT, _WAITING.dump_json(waiting).decode())
    for problem in unreadable:  # the next run estimates them anew
        seen.forget(problem.path.parent.name, problem.path.name)
    if not unreadable:
        seen.save_fact(FACT, shown)
    return replace(report, index=index, waiting=waiting)


def mark_as_shown(
    report: BatchReport, journal: Journal, seen: SeenFolders, result_version: int, pages: PageSettings
) -> None:
    """Remember that the files over all exams show the exams as they are stored, the problems and the signatures."""
    seen.save_fact(FACT, _digest(report, current_signatures(EventLog(journal)), result_version, pages))


def _digest(
    report: BatchReport, signatures: Mapping[ExamKey, StoredSignature], result_version: int, pages: PageSettings
) -> str:
    signed = sorted((*key, *astuple(signature)) for key, signature in signatures.items())
    reasons = [(str(problem.path), problem.reason) for problem in report.problems]
    has_agreement_page = (report.out / "agreement.html").is_file()
    return json_digest([reasons, signed, has_agreement_page, result_version, pages.model_dump(mode="json")])
