"""The nightly run: find exams, read new clips, write each animal's files as soon as possible, then the overview.

The files of an exam depend only on its recordings, its side file, the animal's earlier exams and outcomes, the
network, the settings, the engine and the signature. So an interrupted run, once continued, ends with the same files
as an uninterrupted one. Each scan is in the store when its clip is read, and the result of an exam before the animal's
next exam begins. The input is only read.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

from pipeline.batch.damaged_results import remove_damaged_results
from pipeline.batch.events import (
    ClipsRead,
    EventListener,
    NetworkLoading,
    RunPlanned,
    ignore_event,
)
from pipeline.batch.exam_basis import exam_basis
from pipeline.batch.gone_recordings import note_gone_recordings
from pipeline.batch.known_exams import KnownExams, result_key
from pipeline.batch.nightly_copy import make_nightly_copy
from pipeline.batch.overview import bring_overview_up_to_date
from pipeline.batch.overview_facts import begin_changes
from pipeline.batch.result_version import RESULT_VERSION
from pipeline.batch.run_report import BatchReport, ExamReport, NetworkInUse
from pipeline.calibration_file import UNCALIBRATED_WARNING
from pipeline.exams.exam import Exam
from pipeline.exams.exam_search import find_exams
from pipeline.exams.folder_names import exam_folder
from pipeline.locations.location import Location, is_within
from pipeline.people.journal import Journal
from pipeline.settings import Settings
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import hold_lock
from pipeline.store.output_database import has_store
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import RunOutcome, Store, StoreError
from pipeline.worker.job_pool import OpenPool
from pipeline.worker.pool import open_worker_pool

if TYPE_CHECKING:
    from pipeline.batch.workers import DetectorLoader

__all__ = ["RunOptions", "run_batch"]


class RunOptions(TypedDict, total=False):
    """The options of `run_batch`, for what calls it with others around it."""

    force: bool
    retry_refused: bool
    verify: bool
    network_key: str | None
    on_event: EventListener
    open_pool: OpenPool


def run_batch(
    root: Location,
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
    open_pool : where clips are read and exams estimated: on this machine, or as `pipeline.cluster` does it

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
        moved = note_gone_recordings(known, search, store, journal, settings)
        copied = make_nightly_copy(out, journal, settings.backups)
        problems = (*search.problems, *moved, *copied, *damaged.problems(out, search.exams))
        reports: list[ExamReport] = []
        clips = sum(len(exam.clips) for exam in search.exams)
        on_event(RunPlanned(len(search.exams), clips, len(search.known)))
        run = None
        if search.exams:
            # Slow to import, and a night with nothing new needs none.
            from pipeline.batch.exam_processor import ExamProcessor
            from pipeline.batch.run_context import RunContext
            from pipeline.batch.workers import BatchWorkers

            begin_changes(seen)
            on_event(NetworkLoading())
            with BatchWorkers(load_detector, settings, clips, open_pool) as workers:
                if known.use_network(NetworkInUse(workers.model.name, workers.model.sha256, workers.engine_name)):
                    search = find_exams(root, known.recall)
                context = RunContext(store, settings, workers, force, retry_refused, on_event, known, damaged)
                processor = ExamProcessor.start(search, known, out, context, journal)
                run = processor.run
                try:
                    reports = processor.process()
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


def _check_output_is_outside(root: Location, out: Path) -> None:
    if is_within(out, root):
        raise StoreError(
            f"{out}: this output folder is inside the recordings' folder {root}, where nothing is written. "
            "Choose a folder outside it with --out."
        )


def _check_results_are_outside(root: Location, out: Path, exams: Sequence[Exam]) -> None:
    """The recordings may be under the output folder, unless an animal's results would then be among them."""
    for exam in exams:
        folder = out / exam_folder(exam)
        if is_within(folder, root) or is_within(root, folder):
            raise StoreError(
                f"{folder}: the results of {exam.animal} would be among the recordings in {root}. Choose "
                "another folder with --out."
            )
