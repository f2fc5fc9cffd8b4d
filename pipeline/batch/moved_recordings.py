"""The sheet of an exam whose recordings were archived or moved away says so."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.batch.animal_folders import folders_by_animal
from pipeline.batch.known_exams import MOVED, KnownExams
from pipeline.batch.stored_summaries import read_summary, stored_exam
from pipeline.estimate.flags.catalogue import by_urgency
from pipeline.estimate.flags.raised_flag import RaisedFlag
from pipeline.exams.exam import Exam
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import current_signature
from pipeline.report.exam_files import EstimatedExam, sheet_and_result
from pipeline.report.export.result import ModelIdentity
from pipeline.report.links import neighbours_of
from pipeline.report.output_files import write_files
from pipeline.report.sign_off import SignOff
from pipeline.scan.clip_scan import ClipScan, refused_scan
from pipeline.scan.serialization import unpack_scan
from pipeline.settings import Settings, scan_settings_sha256
from pipeline.store.store import RunOutcome, ScanKey, Store

__all__ = ["note_moved_recordings"]

FLAG = "recordings-moved"


@dataclass(frozen=True)
class _Result:
    """What ``result.json`` says of how an exam was computed."""

    model: ModelIdentity
    settings_sha256: str
    scans: list[ClipScan]


def note_moved_recordings(key: ExamKey, known: KnownExams, store: Store, journal: Journal, settings: Settings) -> None:
    """Write the sheet of one exam with the note. What is too old for that stays as it is.

    Raises OutputError, StoreError, JournalError.
    """
    stored = store.exam(*key)
    summary = None if stored is None else read_summary(stored)
    if stored is None or summary is None or FLAG in summary.flag_codes("note"):
        return
    engine = store.engine_name(*key) or ""
    result = _read_result(known.out / summary.folder, summary.exam, store, settings, engine)
    if result is None:
        return
    flag = RaisedFlag.of(FLAG, folder=str(summary.exam.folder)).flag
    finding = replace(summary.finding, flags=by_urgency([*summary.finding.flags, flag]))
    signature = current_signature(EventLog(journal).events(key))
    sign_off = None if signature is None else SignOff.of(signature)
    folders = folders_by_animal([summary.exam], store)[summary.exam.animal.casefold()]
    estimated = EstimatedExam(
        summary.exam,
        finding,
        result.scans,
        result.model,
        result.settings_sha256,
        sign_off,
        settings.pages,
        neighbours_of(summary.folder, folders),
    )
    write_files(known.out / summary.folder, sheet_and_result(estimated))
    # Another fingerprint, so that the exam is written anew if the recordings come back.
    changed = stored_exam(replace(summary, finding=finding), f"{MOVED} {stored.fingerprint}", stored.files)
    # The engine that gave a result is known from its run.
    run = store.start_run(settings_sha256=result.settings_sha256, model_sha256=result.model.sha256, engine=engine)
    store.save_exam(changed, run)
    store.finish_run(run, RunOutcome.DONE)


def _read_result(folder: Path, exam: Exam, store: Store, settings: Settings, engine: str) -> _Result | None:
    """None if it cannot be read, or if the scans of other settings or another version are gone."""
    clips = {clip.file: clip for clip in exam.clips}
    scans = []
    try:
        result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
        model = ModelIdentity(result["model"]["name"], result["model"]["sha256"])
        for entry in result["clips"]:
            clip, sha256 = clips[entry["file"]], entry["sha256"]
            if entry["status"] == "refused":
                scans.append(refused_scan(clip, sha256, entry["reason"] or ""))
                continue
            packed = store.scan(ScanKey(sha256, model.sha256, scan_settings_sha256(settings), engine))
            scan = None if packed is None else unpack_scan(packed, clip, sha256)
            if scan is None:
                return None
            scans.append(scan)
        return _Result(model, result["settings_sha256"], scans)
    except (OSError, ValueError, KeyError, TypeError):
        return None
