"""The nightly run: find exams, read what is new, write each animal's sheet at once, then the night's page.

Everything an exam's files show follows from its recordings, its side file, the network, the settings and the
engine, so a run that was killed and one that was not end with the same files. The clips' scans and the exams'
results are in the store before the next exam begins; the input is only read.
"""

from __future__ import annotations

import hashlib
import json
import logging
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter

from models.errors import ClutchlightError
from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.events import (
    BatchEvent,
    BatchReport,
    ClipReport,
    EventListener,
    ExamFinished,
    ExamReport,
    ExamStarted,
    NetworkLoading,
    RunPlanned,
)
from pipeline.batch.stored_summaries import read_summaries, summary_json
from pipeline.calibration_file import UNCALIBRATED_WARNING
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam_search import Exam, find_exams
from pipeline.exams.folder_names import exam_folder
from pipeline.report.export.result import ModelIdentity
from pipeline.report.output_files import write_exam_files, write_overview_files
from pipeline.report.sign_off import SignOff, read_sign_off
from pipeline.report.summary import summarise
from pipeline.scan.clip_scan import ClipScan, FrameDetector
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import Settings, settings_sha256
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import hold_lock
from pipeline.store.store import Store, StoredExam, StoreError, database_path

__all__ = ["run_batch"]

log = logging.getLogger(__name__)

RESULT_VERSION = 29
"""Raised when the same scans give other results or files, so that every exam is written anew."""


def _nobody(event: BatchEvent) -> None:
    pass


def run_batch(
    root: Path,
    out: Path,
    settings: Settings,
    load_detector: Callable[[], FrameDetector],
    *,
    force: bool = False,
    on_event: EventListener = _nobody,
) -> BatchReport:
    """Read the new clips under ``root`` and bring the files under ``out`` up to date.

    load_detector : called once, and only if there is an exam
    force : read finished clips, too, and write every exam anew
    on_event : told of every step

    A clip, folder or exam that cannot be used is told in the report and the others go on.

    Raises ExamRootError where root is no folder, LockedError where another run works in out, StoreError where
    out cannot be used.
    """
    root, out = root.resolve(), out.resolve()
    _keep_apart(root, out)
    search = find_exams(root)
    if not search.exams and not database_path(out).exists():
        return BatchReport(root, out, (), search.problems, None)  # nothing to show, so nothing is begun
    _keep_results_out(root, out, search.exams)
    with hold_lock(out), Store(out) as store:
        on_event(RunPlanned(len(search.exams), sum(len(exam.clips) for exam in search.exams)))
        run, outcomes = None, []
        if search.exams:
            on_event(NetworkLoading())
            night = _Night.begin(store, out, settings, load_detector(), force, on_event, search.exams)
            run = night.run
            try:
                for exam in search.exams:
                    on_event(ExamStarted(exam.animal, exam.date.isoformat()))
                    outcomes.append(night.finish_exam(exam))
                    on_event(ExamFinished(outcomes[-1]))
            except BaseException:
                with suppress(StoreError):  # what ended the run matters more
                    store.finish_run(run, "interrupted")
                raise
        warning = None if settings.is_calibrated else UNCALIBRATED_WARNING
        report = BatchReport(root, out, tuple(outcomes), search.problems, None, warning=warning)
        try:
            summaries, unreadable = read_summaries(store, out)
            report = replace(report, problems=(*search.problems, *unreadable))
            write_overview_files(out, summaries, report.problems)
            report = replace(report, index=out / "index.html")
            if run is not None:
                store.finish_run(run, "done")
        except (StoreError, OutputError) as error:
            return replace(report, failure=str(error))  # the exams' outcomes must be told all the same
    return report


@dataclass(frozen=True)
class _Night:
    """What all exams of one run share. run : its number in the store."""

    store: Store
    out: Path
    settings: Settings
    settings_sha256: str
    detector: FrameDetector
    backgrounds: AnimalBackgrounds
    force: bool
    run: int
    reader: ClipReader

    @classmethod
    def begin(
        cls,
        store: Store,
        out: Path,
        settings: Settings,
        detector: FrameDetector,
        force: bool,
        on_event: EventListener,
        exams: Sequence[Exam],
    ) -> _Night:
        sha256 = settings_sha256(settings)
        run = store.start_run(settings_sha256=sha256, model_sha256=detector.model.sha256, engine=detector.engine_name)
        reader = ClipReader.prepare(exams, store, settings, detector, force, on_event)
        return cls(store, out, settings, sha256, detector, AnimalBackgrounds.load(store), force, run, reader)

    def finish_exam(self, exam: Exam) -> ExamReport:
        """Read, estimate and write one exam; whatever goes wrong with it is its outcome."""
        clips: list[ClipReport] = []

        def failed(reason: str, trace: str | None = None) -> ExamReport:
            date = exam.date.isoformat()
            return ExamReport(exam.animal, date, exam.folder, "failed", reason, tuple(clips), None, trace)

        try:
            scans = []
            for clip in exam.clips:
                scan, outcome = self.reader.read(clip, exam)
                scans.append(scan)
                clips.append(outcome)
            return self._write(exam, scans, tuple(clips))
        except ClutchlightError as error:
            return failed(str(error))
        except Exception as error:
            # One exam must not cost the night: the failure is told, with its traceback, and the others go on.
            log.debug("%s failed", exam.folder, exc_info=True)
            return failed(f"unexpected {type(error).__name__}: {error}", traceback.format_exc())

    def _write(self, exam: Exam, scans: Sequence[ClipScan], clips: tuple[ClipReport, ...]) -> ExamReport:
        """Estimate the exam and write its files, unless that was done before from the very same."""
        date = exam.date.isoformat()
        shared = {clip.file: self.reader.duplicates_in_other_exams(clip) for clip in exam.clips}
        background = self.backgrounds.for_exam(exam)
        folder = self.out / exam_folder(exam)
        sign_off = read_sign_off(folder)
        fingerprint = self._fingerprint(exam, scans, shared, background, sign_off)
        known = self.store.exam(exam.animal, date)
        if (
            not self.force
            and known is not None
            and known.fingerprint == fingerprint
            and all((self.out / file).is_file() for file in known.files)
        ):
            return ExamReport(exam.animal, date, exam.folder, "unchanged", None, clips, folder)
        finding = estimate_exam(
            exam,
            [scan.tracks for scan in scans if scan.status == "done"],
            [clip_coverage(scan, shared[scan.file]) for scan in scans],
            self.settings,
            background=background,
        )
        model = ModelIdentity(self.detector.model.name, self.detector.model.sha256)
        write_exam_files(self.out, exam, finding, scans, model, self.settings_sha256, sign_off)
        files = sorted(str(path.relative_to(self.out)) for path in folder.iterdir() if not path.name.startswith("."))
        summary = summary_json(summarise(exam, finding, scans))
        # Last, so that a run killed before this line writes the exam's files once more.
        self.store.save_exam(StoredExam(exam.animal, date, fingerprint, summary, tuple(files)), self.run)
        return ExamReport(exam.animal, date, exam.folder, "written", None, clips, folder)

    def _fingerprint(
        self,
        exam: Exam,
        scans: Sequence[ClipScan],
        shared: Mapping[str, tuple[str, ...]],
        background: AnimalBackground,
        sign_off: SignOff | None,
    ) -> str:
        """Names everything the exam's files follow from."""
        content = [
            RESULT_VERSION,
            _EXAM.dump_python(exam, mode="json"),
            [(scan.file, scan.sha256, scan.status, scan.reason, shared[scan.file]) for scan in scans],
            [self.detector.model.name, self.detector.model.sha256, self.detector.engine_name],
            self.settings_sha256,
            _BACKGROUND.dump_python(background, mode="json"),
            None if sign_off is None else asdict(sign_off),
        ]
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


_BACKGROUND = TypeAdapter(AnimalBackground)
_EXAM = TypeAdapter(Exam)


def _keep_apart(root: Path, out: Path) -> None:
    if out.is_relative_to(root):
        raise StoreError(
            f"{out}: this output folder lies inside the recordings' folder {root}, where nothing is written. "
            "Choose a folder outside it with --out."
        )


def _keep_results_out(root: Path, out: Path, exams: Sequence[Exam]) -> None:
    """The recordings may lie under the output folder, but no animal may be named like the way to them."""
    for exam in exams:
        folder = out / exam_folder(exam)
        if folder.is_relative_to(root) or root.is_relative_to(folder):
            raise StoreError(
                f"{folder}: the results of {exam.animal} would lie among the recordings in {root}. Choose "
                "another folder with --out."
            )
