"""The nightly run: find exams, read new clips, write each animal's files as soon as possible, then the overview.

The files of an exam depend only on its recordings, its side file, the animal's earlier exams and outcomes, the
network, the settings, the engine and the signature. So an interrupted run, once continued, ends with the same files
as an uninterrupted one. The scans and the result of an exam are in the store before the next exam begins. The input
is only read.
"""

from __future__ import annotations

import hashlib
import json
import logging
import traceback
from collections.abc import Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypedDict

from pydantic import TypeAdapter

from models.errors import ClutchlightError
from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.animal_folders import folders_by_animal
from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.clip_workers import ClipWorkers, DetectorLoader
from pipeline.batch.damaged_results import EXAM_REMARK, remove_damaged_results
from pipeline.batch.events import (
    ClipsRead,
    EventListener,
    ExamFinished,
    ExamStarted,
    NetworkLoading,
    RunPlanned,
    ignore_event,
)
from pipeline.batch.exam_basis import exam_basis
from pipeline.batch.known_exams import KnownExams, result_key
from pipeline.batch.moved_recordings import note_moved_recordings
from pipeline.batch.nightly_copy import make_nightly_copy
from pipeline.batch.overview import begin_changes, bring_overview_up_to_date
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import BatchReport, ClipReport, ExamReport, ExamStatus, NetworkInUse
from pipeline.batch.stored_summaries import read_summary, stored_exam
from pipeline.calibration_file import UNCALIBRATED_WARNING
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam_search import Exam, ExamSearch, find_exams
from pipeline.exams.folder_names import exam_folder
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import current_signature
from pipeline.report.export.result import ModelIdentity
from pipeline.report.links import Neighbours, neighbours_of
from pipeline.report.output_files import write_exam_files
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import summarise
from pipeline.scan.clip_scan import ClipScan
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import Settings, settings_sha256
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import hold_lock
from pipeline.store.output_database import has_store
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.server_lock import LockLostError
from pipeline.store.store import RunOutcome, Store, StoreError
from pipeline.worker.job_pool import OpenPool, PoolLostError
from pipeline.worker.pool import open_worker_pool

__all__ = ["RESULT_VERSION", "RunOptions", "run_batch"]

log = logging.getLogger(__name__)

RESULT_VERSION = 33
"""Raise it by one when the same scans give other results or files. All exams are then written again.

A test keeps a digest of the results for each version, and fails when results change under an old version.
"""


class RunOptions(TypedDict, total=False):
    """The options of `run_batch`, for what calls it with others around it."""

    force: bool
    retry_refused: bool
    verify: bool
    network_key: str | None
    on_event: EventListener
    open_pool: OpenPool


def run_batch(
    root: Path,
    out: Path,
    settings: Settings,
    load_detector: DetectorLoader,
    *,
    force: bool = False,
    retry_refused: bool = False,
    verify: bool = False,
    network_key: str | None = None,
    on_event: EventListener = ignore_event,
    open_pool: OpenPool = open_worker_pool,
) -> BatchReport:
    """Read the new clips under ``root`` and bring the files under ``out`` up to date.

    load_detector : called in each process that reads clips, and only if there is an exam. The processes are started by
    ``multiprocessing``, so a program of your own needs the usual ``if __name__ == "__main__"``
    force : read all clips again, and write every exam again
    retry_refused : also read clips that killed or outlasted such a process in an earlier run
    verify : compute the digest of every recording again, and report those that changed although size and time did not
    network_key : equal keys mean the same network, engine and machine (`pipeline.detect.network_key`). With it, exams
    that need no look are recognised without loading the network; None to load it in any case
    on_event : called at every step
    open_pool : where clips are read: on this machine, or as `pipeline.cluster` does it

    A clip, folder or exam that cannot be used is listed in the report, and the run goes on with the others.

    Raises ExamRootError if root is not a folder, LockedError if another run works in out, StoreError if out cannot
    be used or its lock was lost, JournalError if what people said was lost or changed behind the program's back,
    PoolLostError if no clip can be read any more.
    """
    root, out = root.resolve(), out.resolve()
    _check_output_is_outside(root, out)
    if not has_store(out):
        search = find_exams(root)
        if not search.exams:
            return BatchReport(root, out, (), search.problems, None)  # nothing to show, so nothing is created
        _check_results_are_outside(root, out, search.exams)
    with (
        hold_lock(out, settings.run.database),
        closing(Journal(out)) as journal,
        Store(out) as store,
        closing(SeenFolders(out)) as seen,
    ):
        damaged = remove_damaged_results(store, seen, None if verify else settings.run.sample_days)
        known = KnownExams(
            seen,
            root,
            out,
            basis_of=partial(exam_basis, settings, journal, RESULT_VERSION),
            results=frozenset(result_key(*key, fingerprint) for key, fingerprint in store.fingerprints().items()),
            verify=verify or force,
            sample_days=settings.run.sample_days,
        )
        known.expect_network(network_key)
        search = find_exams(root, known.recall)
        _check_results_are_outside(root, out, search.exams)
        moved = note_moved_recordings(known, store, journal, settings)
        copied = make_nightly_copy(out, journal, settings.backups)
        problems = (*search.problems, *moved, *copied, *damaged.problems(out, search.exams))
        reports: list[ExamReport] = []
        clips = sum(len(exam.clips) for exam in search.exams)
        on_event(RunPlanned(len(search.exams), clips, len(search.known)))
        run = None
        if search.exams:
            begin_changes(seen)
            on_event(NetworkLoading())
            with ClipWorkers(load_detector, settings, clips, open_pool) as workers:
                if known.use_network(NetworkInUse(workers.model.name, workers.model.sha256, workers.engine_name)):
                    search = find_exams(root, known.recall)
                context = RunContext(store, settings, workers, force, retry_refused, on_event, known, damaged)
                processor = _ExamProcessor.start(search, known, out, context, journal)
                run = processor.run
                try:
                    for exam in processor.exams:
                        on_event(ExamStarted(exam.animal, exam.date.isoformat()))
                        reports.append(processor.process(exam))
                        on_event(ExamFinished(reports[-1]))
                    on_event(ClipsRead(workers.processor_s, workers.peak_memory_mib))
                except BaseException:
                    with suppress(StoreError):  # the error that ended the run matters more
                        store.finish_run(run, RunOutcome.INTERRUPTED)
                    raise
        looked_at = {str(report.folder) for report in reports}
        unchanged = tuple(exam for exam in search.known if exam.folder not in looked_at)
        warning = None if settings.is_calibrated else UNCALIBRATED_WARNING
        problems = (*problems, *known.differing)
        report = BatchReport(
            root, out, tuple(reports), problems, None, warning=warning, network=known.network, known=unchanged
        )
        try:
            report = bring_overview_up_to_date(report, store, journal, seen, RESULT_VERSION, settings.pages)
            if run is not None:
                store.finish_run(run, RunOutcome.DONE)
            known.save_network(network_key)
        except (StoreError, OutputError) as error:
            return replace(report, failure=str(error))  # so that the exams are reported all the same
    return report


@dataclass(frozen=True)
class _ExamProcessor:
    """Estimates and writes the exams of one run, one after the other, while their clips are read.

    settings_sha256 : of the settings that decide the results
    run : the run's number in the store
    folders : of all exams of each animal, by date; by its id in lower case (`str.casefold`)
    """

    context: RunContext
    out: Path
    settings_sha256: str
    run: int
    backgrounds: AnimalBackgrounds
    reader: ClipReader
    event_log: EventLog
    known: KnownExams
    exams: tuple[Exam, ...]
    folders: Mapping[str, Sequence[str]]

    @classmethod
    def start(
        cls, search: ExamSearch, known: KnownExams, out: Path, context: RunContext, journal: Journal
    ) -> _ExamProcessor:
        """Record the start of the run in the store, and begin to read the clips of all exams that need a look."""
        sha256, workers = settings_sha256(context.settings), context.workers
        run = context.store.start_run(
            settings_sha256=sha256, model_sha256=workers.model.sha256, engine=workers.engine_name
        )
        exams = list(search.exams)
        reader = ClipReader.prepare(exams, context)
        while more := known.exams_to_look_at(exams, search.known, reader.identities):
            reader = reader.extended(exams, more)
            exams += more
        exams.sort(key=lambda exam: (exam.animal, exam.date))
        reader.read_ahead(exams)
        backgrounds = AnimalBackgrounds.load(context.store, journal)
        folders = folders_by_animal(exams, context.store)
        return cls(context, out, sha256, run, backgrounds, reader, EventLog(journal), known, tuple(exams), folders)

    def process(self, exam: Exam) -> ExamReport:
        """Read, estimate and write one exam, and remember it. An error becomes a report of the failure."""
        report, fingerprint = self._read_and_write(exam)
        with suppress(StoreError):  # a full disk: the next run looks at the exam again
            self.known.remember(exam, report, fingerprint, self.reader.identities)
        return report

    def _read_and_write(self, exam: Exam) -> tuple[ExamReport, str]:
        """The report of the exam, and the fingerprint of its result, "" if it failed."""
        clips: list[ClipReport] = []

        def failed(reason: str, trace: str | None = None) -> tuple[ExamReport, str]:
            date, status = exam.date.isoformat(), ExamStatus.FAILED
            return ExamReport(exam.animal, date, exam.folder, status, reason, tuple(clips), None, trace), ""

        try:
            scans = []
            for clip in exam.clips:
                scan, report = self.reader.read(clip, exam)
                scans.append(scan)
                clips.append(report)
            return self._estimate_and_write(exam, scans, tuple(clips))
        except (LockLostError, PoolLostError):
            raise  # another run may be writing the same files, or no other exam can be read either
        except ClutchlightError as error:
            return failed(str(error))
        except Exception as error:
            # One exam must not end the run: the failure is reported with its traceback, and the others go on.
            log.debug("%s failed", exam.folder, exc_info=True)
            return failed(f"unexpected {type(error).__name__}: {error}", traceback.format_exc())

    def _estimate_and_write(
        self, exam: Exam, scans: Sequence[ClipScan], clips: tuple[ClipReport, ...]
    ) -> tuple[ExamReport, str]:
        """Estimate the exam and write its files, unless they were already written from the same input.

        Returns the report and the fingerprint.
        """
        store, date = self.context.store, exam.date.isoformat()
        duplicates = {clip.file: self.reader.duplicates_in_other_exams(clip) for clip in exam.clips}
        background = self.backgrounds.for_exam(exam)
        folder = self.out / exam_folder(exam)
        sign_off = _sign_off(self.event_log, exam)
        neighbours = self._neighbours(exam)
        fingerprint = self._fingerprint(exam, scans, duplicates, background, sign_off, neighbours)
        stored = store.exam(exam.animal, date)
        if (
            not self.context.force
            and stored is not None
            and stored.fingerprint == fingerprint
            and read_summary(stored) is not None
            and all((self.out / file).is_file() for file in stored.files)
        ):
            return ExamReport(exam.animal, date, exam.folder, ExamStatus.UNCHANGED, None, clips, folder), fingerprint
        finding = estimate_exam(
            exam,
            [scan.tracks for scan in scans if scan.status == "done"],
            [clip_coverage(scan, duplicates[scan.file]) for scan in scans],
            self.context.settings,
            background=background,
        )
        model = ModelIdentity(self.context.workers.model.name, self.context.workers.model.sha256)
        write_exam_files(
            self.out,
            exam,
            finding,
            scans,
            model,
            self.settings_sha256,
            sign_off,
            pages=self.context.settings.pages,
            neighbours=neighbours,
        )
        files = sorted(str(path.relative_to(self.out)) for path in folder.iterdir() if not path.name.startswith("."))
        summary = summarise(exam, finding, scans)
        # Last, so that the next run writes the exam's files again if this one is killed before this line.
        store.save_exam(stored_exam(summary, fingerprint, files), self.run)
        remark = EXAM_REMARK if (exam.animal, date) in self.context.damaged.exams else None
        return ExamReport(exam.animal, date, exam.folder, ExamStatus.WRITTEN, remark, clips, folder), fingerprint

    def _neighbours(self, exam: Exam) -> Neighbours:
        """The animal's exams before and after this one, of this run and of earlier ones."""
        return neighbours_of(str(exam_folder(exam)), self.folders[exam.animal.casefold()])

    def _fingerprint(
        self,
        exam: Exam,
        scans: Sequence[ClipScan],
        duplicates: Mapping[str, tuple[str, ...]],
        background: AnimalBackground,
        sign_off: SignOff | None,
        neighbours: Neighbours,
    ) -> str:
        """SHA-256 of everything that the exam's files depend on. duplicates : in other exams, by file"""
        workers = self.context.workers
        content = [
            RESULT_VERSION,
            _EXAM.dump_python(exam, mode="json"),
            [(scan.file, scan.sha256, scan.status, scan.reason, duplicates[scan.file]) for scan in scans],
            [workers.model.name, workers.model.sha256, workers.engine_name],
            self.settings_sha256,
            _BACKGROUND.dump_python(background, mode="json"),
            None if sign_off is None else asdict(sign_off),
            self.context.settings.pages.model_dump(mode="json"),
            asdict(neighbours),
        ]
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _sign_off(event_log: EventLog, exam: Exam) -> SignOff | None:
    stored = current_signature(event_log.events(ExamKey(exam.animal, exam.date.isoformat())))
    return None if stored is None else SignOff.of(stored)


_BACKGROUND = TypeAdapter(AnimalBackground)
_EXAM = TypeAdapter(Exam)


def _check_output_is_outside(root: Path, out: Path) -> None:
    if out.is_relative_to(root):
        raise StoreError(
            f"{out}: this output folder is inside the recordings' folder {root}, where nothing is written. "
            "Choose a folder outside it with --out."
        )


def _check_results_are_outside(root: Path, out: Path, exams: Sequence[Exam]) -> None:
    """The recordings may be under the output folder, unless an animal's results would then be among them."""
    for exam in exams:
        folder = out / exam_folder(exam)
        if folder.is_relative_to(root) or root.is_relative_to(folder):
            raise StoreError(
                f"{folder}: the results of {exam.animal} would be among the recordings in {root}. Choose "
                "another folder with --out."
            )
