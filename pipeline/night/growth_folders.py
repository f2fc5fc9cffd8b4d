"""Folders of synthetic exams, as the nights of many years leave them, without any clip.

Every exam has a folder with two files of a few bytes, a folder of results with one file, and a row in the store. The
exams of an animal are a year apart, so they are spread over eight seasons, and the files over all exams are real.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

from pipeline.batch.exam_basis import exam_basis
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.overview import bring_overview_up_to_date
from pipeline.batch.result_version import RESULT_VERSION
from pipeline.batch.run_report import BatchReport, ClipReport, ClipStatus, ExamReport, ExamStatus, NetworkInUse
from pipeline.batch.stored_summaries import stored_exam
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam import Exam
from pipeline.exams.exam_search import find_exams
from pipeline.exams.folder_names import exam_folder
from pipeline.ingest.recording_identity import RecordingIdentity, file_sha256, file_state
from pipeline.night.night_record import NightRecord, ended_night, write_night
from pipeline.people.journal import Journal
from pipeline.report.summary import summarise
from pipeline.settings import Settings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store

__all__ = ["KEY", "NETWORK", "add_recordings", "make_exams"]

EXAMS_PER_ANIMAL = 8
FIRST_YEAR = 2010
FILES = ("left-1.mp4", "right-1.mp4")
NETWORK = NetworkInUse("synthetic", "0" * 64, "none")
KEY = "synthetic"


def add_recordings(number: int, root: Path) -> None:
    """Exams of animals that are not known yet, all in the last season. Their recordings cannot be read."""
    for index in range(number):
        date = dt.date(FIRST_YEAR + EXAMS_PER_ANIMAL - 1, 5, 1 + index % 28)
        _add_recordings(root / f"BF-{index:06d}" / date.isoformat(), str(index))


def _add_recordings(folder: Path, content: str) -> None:
    folder.mkdir(parents=True)
    for file in FILES:
        (folder / file).write_bytes(f"{folder.parent.name} {content} {file}".encode())
        os.utime(folder / file, (0, 0))  # or a night would wait until they are copied whole
    (folder / "exam.toml").write_text('species = "Emys orbicularis"\nweight_g = 830\n', encoding="utf-8")


def make_exams(number: int, root: Path, out: Path, settings: Settings, progress: Callable[[int], None]) -> None:
    """Make recordings and results of this many exams. progress : called with how many were made"""
    out.mkdir(parents=True)
    for index in range(number):
        date = dt.date(FIRST_YEAR + index % EXAMS_PER_ANIMAL, 5, 14)
        _add_recordings(root / f"AF-{index // EXAMS_PER_ANIMAL:06d}" / date.isoformat(), str(index))
    with closing(Journal(out)) as journal, Store(out) as store, closing(SeenFolders(out)) as seen:
        basis_of = partial(exam_basis, settings, journal, RESULT_VERSION)
        known = KnownExams(seen, root, out, basis_of, frozenset())
        known.use_network(NETWORK)
        known.save_network(KEY)
        run = store.start_run(settings_sha256="", model_sha256=NETWORK.sha256, engine=NETWORK.engine)
        reports = []
        exams = find_exams(root, known.recall).exams
        finding = estimate_exam(exams[0], [], [], settings)
        for made, exam in enumerate(exams, 1):
            reports.append(_store_exam(exam, finding, store, known, out, run))
            if made % 1000 == 0:
                progress(made)
        report = BatchReport(root, out, tuple(reports), (), None, network=NETWORK)
        bring_overview_up_to_date(report, store, journal, seen, RESULT_VERSION, settings.pages)
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    write_night(out, ended_night(NightRecord(now, str(root), ended=now), report, 0))


def _store_exam(exam: Exam, finding: ExamFinding, store: Store, known: KnownExams, out: Path, run: int) -> ExamReport:
    date, files = exam.date.isoformat(), out / exam_folder(exam)
    files.mkdir(parents=True)
    (files / "result.json").write_bytes(b"{}")
    fingerprint = f"{exam.animal} {date}"
    store.save_exam(stored_exam(summarise(exam, finding, []), fingerprint), run)
    clips = tuple(ClipReport(clip.file, ClipStatus.KEPT, None) for clip in exam.clips)
    report = ExamReport(exam.animal, date, exam.folder, ExamStatus.UNCHANGED, None, clips, files)
    identities = {}
    for clip in exam.clips:
        sha256 = file_sha256(clip.path)
        identities[clip.path] = RecordingIdentity(file_state(clip.path), sha256, sha256)
    known.remember(exam, report, fingerprint, identities)
    return report
