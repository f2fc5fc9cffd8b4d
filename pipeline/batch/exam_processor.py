"""One exam of a run after the other: its clips are read, it is estimated, and its files are written if they changed."""

from __future__ import annotations

import hashlib
import json
import logging
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import TypeAdapter

from models.errors import ClutchlightError
from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.animal_folders import folders_by_animal
from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.damaged_results import EXAM_REMARK
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import ClipReport, ExamReport, ExamStatus
from pipeline.batch.stored_summaries import read_summary, stored_exam
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam_search import Exam, ExamSearch
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
from pipeline.settings import settings_sha256
from pipeline.store.server_lock import LockLostError
from pipeline.store.store import StoreError
from pipeline.worker.job_pool import PoolLostError

__all__ = ["RESULT_VERSION", "ExamProcessor"]

log = logging.getLogger(__name__)

RESULT_VERSION = 34
"""Raise it by one when the same scans give other results or files. All exams are then written again.

A test keeps a digest of the results for each version, and fails when results change under an old version.
"""

_BACKGROUND = TypeAdapter(AnimalBackground)
_EXAM = TypeAdapter(Exam)


@dataclass(frozen=True)
class ExamProcessor:
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
    ) -> ExamProcessor:
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
