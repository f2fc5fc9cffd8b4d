"""The exams of a run: as soon as the clips of one are read, a worker estimates it, and its files are written here.

Exams are estimated side by side, while clips of later ones are read. Those of one animal are in order, since the later
ones are compared with the earlier ones.
"""

from __future__ import annotations

import logging
import traceback
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.animal_folders import folders_by_animal
from pipeline.batch.clip_reuse import ClipReader
from pipeline.batch.damaged_results import EXAM_REMARK
from pipeline.batch.events import ExamFinished, ExamStarted
from pipeline.batch.exam_job import ExamJob, ExamResult
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import ClipReport, ExamReport, ExamStatus
from pipeline.batch.stored_summaries import read_summary
from pipeline.exams.exam import Exam
from pipeline.exams.exam_search import ExamSearch
from pipeline.exams.folder_names import exam_folder
from pipeline.ingest.file_types import is_dicom
from pipeline.ingest.recording_identity import file_state
from pipeline.locations.location import Location
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import current_signature
from pipeline.report.export.result import ModelIdentity
from pipeline.report.links import neighbours_of
from pipeline.report.output_files import replace_exam_files
from pipeline.report.sign_off import SignOff
from pipeline.scan.packed_scan import PackedScan
from pipeline.settings import settings_sha256
from pipeline.store.server_lock import LockLostError
from pipeline.store.store import StoreError
from pipeline.worker.job_pool import JobLostError, PoolLostError, UnsuitableProcessError
from pipeline.worker.worker import JobKilledError

__all__ = ["ExamProcessor", "in_rounds"]

log = logging.getLogger(__name__)

# So many exams more are begun than there are processes, so that none of these waits while files are written; their
# scans and results are held in memory (common practice, no source).
SPARE_EXAMS = 2


@dataclass(frozen=True)
class _BegunExam:
    """An exam whose clips are read, and that a worker estimates. fingerprint : of its result"""

    exam: Exam
    clips: tuple[ClipReport, ...]
    fingerprint: str


@dataclass(frozen=True)
class _EndedExam:
    """fingerprint : of its result, "" if it failed"""

    report: ExamReport
    fingerprint: str = ""


@dataclass(frozen=True)
class ExamProcessor:
    """Processes the exams of one run.

    settings_sha256 : of the settings that decide the results
    run : the run's number in the store
    exams : in the order in which they are begun
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
    _in_work: set[str] = field(default_factory=set)  # animals with a begun exam, in lower case
    _estimated: deque[tuple[_BegunExam, Future[ExamResult]]] = field(default_factory=deque)  # not yet written
    _held: dict[Location, ExamReport] = field(default_factory=dict)  # until the exams before are announced, by folder
    _announced: list[ExamReport] = field(default_factory=list)

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
        ordered = in_rounds(exams)
        reader.read_ahead(ordered)
        backgrounds = AnimalBackgrounds.load(context.store, journal)
        folders = folders_by_animal(exams, context.store)
        return cls(context, out, sha256, run, backgrounds, reader, EventLog(journal), known, tuple(ordered), folders)

    def process(self) -> list[ExamReport]:
        """Process and remember all exams. Returns their reports by animal and date.

        Events are in the order of ``exams``. An error becomes the report of a failure.
        """
        for exam in self.exams:
            self._wait(partial(self._may_begin, exam))
            self.context.on_event(ExamStarted(exam.animal, exam.date.isoformat()))
            clips: list[ClipReport] = []
            self._end(exam, self._attempt(exam, clips, partial(self._begin, exam, clips)))
        self._wait(lambda: not self._in_work)
        return sorted(self._announced, key=lambda report: (report.animal, report.date))

    def _may_begin(self, exam: Exam) -> bool:
        return (
            len(self._in_work) < self.context.workers.size + SPARE_EXAMS
            and exam.animal.casefold() not in self._in_work
            and self.reader.has_read(exam)
        )

    def _wait(self, is_over: Callable[[], bool]) -> None:
        """Write the exams that are estimated, until ``is_over``."""
        while True:
            self.context.workers.wait(lambda: bool(self._estimated) or is_over())
            if not self._estimated:
                return
            begun, result = self._estimated.popleft()
            self._in_work.remove(begun.exam.animal.casefold())
            self._end(begun.exam, self._attempt(begun.exam, begun.clips, partial(self._write, begun, result)))

    def _attempt(
        self, exam: Exam, clips: Sequence[ClipReport], step: Callable[[], _EndedExam | None]
    ) -> _EndedExam | None:
        """What a step returns. Its error fails this exam alone; ``clips`` are those that were read until then."""
        trace = None
        try:
            return step()
        except (LockLostError, PoolLostError):
            raise  # another run may be writing the same files, or no other exam can be read either
        except ClutchlightError as error:
            reason = str(error)
        except JobKilledError as error:
            reason = f"estimating it {error}; the next run tries again."
        except (JobLostError, UnsuitableProcessError) as error:
            reason = f"estimating it failed: {error}; the next run tries again."
        except Exception as error:
            # One exam must not end the run: the failure is reported with its traceback, and the others go on.
            log.debug("%s failed", exam.folder, exc_info=True)
            reason, trace = f"unexpected {type(error).__name__}: {error}", traceback.format_exc()
        return _EndedExam(self._report(exam, ExamStatus.FAILED, clips, reason, trace))

    def _begin(self, exam: Exam, clips: list[ClipReport]) -> _EndedExam | None:
        """Have a worker estimate the exam, unless its files were already written from the same input.

        clips : their reports are added
        """
        scans = []
        for clip in exam.clips:
            scan, report = self.reader.read(clip, exam)
            scans.append(scan)
            clips.append(report)
        job = self._job(exam, scans)
        fingerprint = job.fingerprint(self.context.settings)
        if self._is_written(exam, fingerprint):
            return _EndedExam(self._report(exam, ExamStatus.UNCHANGED, clips), fingerprint)
        begun = _BegunExam(exam, tuple(clips), fingerprint)
        self.context.workers.process(job, lambda result: self._estimated.append((begun, result)))
        self._in_work.add(exam.animal.casefold())
        return None

    def _write(self, begun: _BegunExam, result: Future[ExamResult]) -> _EndedExam:
        """Write the files of an exam that was estimated, and store its result."""
        exam, estimated = begun.exam, result.result()
        folder = self.out / exam_folder(exam)
        replace_exam_files(folder, {name: file.chunks() for name, file in estimated.files.items()})
        files = sorted(str(path.relative_to(self.out)) for path in folder.iterdir() if not path.name.startswith("."))
        # Last, so that the next run writes the exam's files again if this one is killed before this line.
        stored = replace(estimated.stored, fingerprint=begun.fingerprint, files=tuple(files))
        self.context.store.save_exam(stored, self.run)
        is_damaged = (exam.animal, exam.date.isoformat()) in self.context.damaged.exams
        report = self._report(exam, ExamStatus.WRITTEN, begun.clips, EXAM_REMARK if is_damaged else None)
        return _EndedExam(report, begun.fingerprint)

    def _end(self, exam: Exam, ended: _EndedExam | None) -> None:
        """Remember an exam that ended, and tell of all of which the earlier ones have ended, too."""
        if ended is None:
            return
        with suppress(StoreError):  # a full disk: the next run looks at the exam again
            self.known.remember(exam, ended.report, ended.fingerprint, self.reader.identities)
        self._held[exam.folder] = ended.report
        while self._held and (report := self._held.pop(self.exams[len(self._announced)].folder, None)):
            self._announced.append(report)
            self.context.on_event(ExamFinished(report))

    def _report(
        self,
        exam: Exam,
        status: ExamStatus,
        clips: Iterable[ClipReport],
        reason: str | None = None,
        trace: str | None = None,
    ) -> ExamReport:
        written_to = None if status == ExamStatus.FAILED else self.out / exam_folder(exam)
        date = exam.date.isoformat()
        return ExamReport(exam.animal, date, exam.folder, status, reason, tuple(clips), written_to, trace)

    def _is_written(self, exam: Exam, fingerprint: str) -> bool:
        """Whether the store and the folder of the exam have the result of this fingerprint."""
        stored = None if self.context.force else self.context.store.exam(exam.animal, exam.date.isoformat())
        return (
            stored is not None
            and stored.fingerprint == fingerprint
            and read_summary(stored) is not None
            and all((self.out / file).is_file() for file in stored.files)
        )

    def _job(self, exam: Exam, scans: Sequence[PackedScan]) -> ExamJob:
        """Everything that is known about an exam whose clips are read. The animal's earlier exams are in the store."""
        workers = self.context.workers
        signature = current_signature(self.event_log.events(ExamKey(exam.animal, exam.date.isoformat())))
        read = [scan.clip.path for scan in scans if scan.status == "done"]
        return ExamJob(
            exam=exam,
            scans=scans,
            duplicates={clip.file: self.reader.duplicates_in_other_exams(clip) for clip in exam.clips},
            dicom={path: file_state(path) for path in read if path.is_file() and is_dicom(path)},
            background=self.backgrounds.for_exam(exam),
            model=ModelIdentity(workers.model.name, workers.model.sha256),
            engine_name=workers.engine_name,
            settings_sha256=self.settings_sha256,
            sign_off=None if signature is None else SignOff.of(signature),
            neighbours=neighbours_of(str(exam_folder(exam)), self.folders[exam.animal.casefold()]),
        )


def in_rounds(exams: Iterable[Exam]) -> list[Exam]:
    """Each animal's first exam, then each one's second, and so on: those that wait for each other are far apart."""
    numbers: Counter[str] = Counter()
    rounds: list[tuple[int, Exam]] = []
    for exam in sorted(exams, key=lambda exam: (exam.date, exam.animal)):
        rounds.append((numbers[exam.animal.casefold()], exam))
        numbers[exam.animal.casefold()] += 1
    return [exam for _, exam in sorted(rounds, key=lambda one: (one[0], one[1].animal))]
