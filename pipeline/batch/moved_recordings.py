"""Exams whose recordings were archived or moved away: their results stay, and their sheets say so.

A drive that is not connected looks the same, so nothing is said if most exams are gone at once.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.batch.animal_folders import folders_by_animal
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.overview import begin_changes
from pipeline.batch.stored_summaries import read_summary, stored_exam
from pipeline.estimate.flags.catalogue import by_urgency
from pipeline.estimate.flags.raised_flag import RaisedFlag
from pipeline.exams.exam_search import Exam, ExamProblem, ExamSearch
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import current_signature
from pipeline.report.export.result import ModelIdentity
from pipeline.report.links import neighbours_of
from pipeline.report.output_files import write_sheet_and_result
from pipeline.report.sign_off import SignOff
from pipeline.scan.clip_scan import ClipScan, refused_scan
from pipeline.scan.serialization import unpack_scan
from pipeline.settings import Settings, scan_settings_sha256
from pipeline.store.atomic_write import OutputError
from pipeline.store.store import RunOutcome, ScanKey, Store

__all__ = ["MOVED", "note_moved_recordings"]

MOVED = "moved"  # in place of the state of a folder
FLAG = "recordings-moved"
ROOT_FACT = "root"
LARGEST_SHARE = 0.5  # of all exams; with more, a drive is probably missing (common practice, no source)


@dataclass(frozen=True)
class _Result:
    """What ``result.json`` says of how an exam was computed."""

    model: ModelIdentity
    settings_sha256: str
    scans: list[ClipScan]


def note_moved_recordings(
    known: KnownExams, search: ExamSearch, store: Store, journal: Journal, settings: Settings
) -> list[ExamProblem]:
    """Note on each exam whose folder is gone that it is. Returns a problem if most are gone at once, or if one fails.

    search : what was found in this run; only folders that are not among it are looked for

    Call it while no run is recorded as running. Raises StoreError, JournalError.
    """
    last_root = known.seen.fact(ROOT_FACT)
    known.seen.save_fact(ROOT_FACT, str(known.root))
    if last_root != str(known.root):
        return []  # several folders of recordings may share one of results
    places = known.seen.folders()
    found = {str(exam.folder) for exam in search.exams} | {exam.folder for exam in search.known}
    try:
        gone = [place for place in places if f"{known.root}/{place}" not in found and not (known.root / place).is_dir()]
    except OSError as error:
        return [ExamProblem(known.root, f"{known.root}: cannot be searched: {error.strerror}.")]
    if len(gone) > LARGEST_SHARE * len(places):
        reason = (
            f"{known.root}: {len(gone):,} of {len(places):,} exam folders are gone. Is the drive connected? "
            "Their results are kept."
        )
        return [ExamProblem(known.root, reason)]
    for place in gone:
        seen = known.seen.exam(place)
        if seen is None or seen.state == MOVED:
            continue
        begin_changes(known.seen)
        try:
            _note(ExamKey(seen.animal, seen.date), known, store, journal, settings)
        except OutputError as error:
            return [ExamProblem(known.out / seen.results, str(error))]
        known.seen.save_state(place, MOVED)
    return []


def _note(key: ExamKey, known: KnownExams, store: Store, journal: Journal, settings: Settings) -> None:
    """Write the sheet of one exam with the note. What is too old for that stays as it is."""
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
    write_sheet_and_result(
        known.out,
        summary.exam,
        finding,
        result.scans,
        result.model,
        result.settings_sha256,
        sign_off,
        pages=settings.pages,
        neighbours=neighbours_of(summary.folder, folders),
    )
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
