"""The work for one exam as a job of a worker process: all that its results depend on goes in, results and files come
out as bytes. Only the process that runs the night writes them."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass

from pydantic import TypeAdapter

from pipeline.batch.result_version import RESULT_VERSION
from pipeline.batch.stored_summaries import stored_exam
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam import Exam
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.report.exam_files import EstimatedExam, exam_files
from pipeline.report.export.result import ModelIdentity
from pipeline.report.links import Neighbours
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import summarise
from pipeline.scan.coverage import clip_coverage
from pipeline.scan.packed_scan import PackedScan
from pipeline.settings import Settings
from pipeline.store.records import StoredExam
from pipeline.worker.job_loop import Progress

__all__ = ["ExamJob", "ExamResult", "PackedFile", "process_exam"]

# The detections of an hour's clip are some 400 MB of text, and a fifth of that compressed. Usual files are smaller than
# one block, and cost nothing (common practice, no source).
BLOCK_BYTES = 2**24

_BACKGROUND = TypeAdapter(AnimalBackground)
_EXAM = TypeAdapter(Exam)


@dataclass(frozen=True)
class ExamJob:
    """What the results and files of one exam depend on, beside the settings, which each worker has.

    duplicates : by file, the other exams and files that hold the same recording, in words
    dicom : the recordings of which the headers are read, as they are now
    model, engine_name : which gave the scans
    settings_sha256 : of the settings that decide the results
    """

    exam: Exam
    scans: Sequence[PackedScan]
    duplicates: Mapping[str, tuple[str, ...]]
    dicom: Mapping[Location, FileState]
    background: AnimalBackground
    model: ModelIdentity
    engine_name: str
    settings_sha256: str
    sign_off: SignOff | None
    neighbours: Neighbours

    def fingerprint(self, settings: Settings) -> str:
        """SHA-256 of everything that the exam's files depend on."""
        content = [
            RESULT_VERSION,
            _EXAM.dump_python(self.exam, mode="json"),
            [
                (scan.clip.file, scan.sha256, scan.status, scan.reason, self.duplicates[scan.clip.file])
                for scan in self.scans
            ],
            [self.model.name, self.model.sha256, self.engine_name],
            self.settings_sha256,
            _BACKGROUND.dump_python(self.background, mode="json"),
            None if self.sign_off is None else asdict(self.sign_off),
            settings.pages.model_dump(mode="json"),
            asdict(self.neighbours),
        ]
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True)
class PackedFile:
    """The content of a file, on its way to the process that writes it. What is large is compressed.

    blocks : compressed;  rest : what follows them
    """

    blocks: tuple[bytes, ...]
    rest: bytes

    @classmethod
    def of(cls, chunks: Iterable[bytes]) -> PackedFile:
        blocks, rest = [], bytearray()
        for chunk in chunks:
            rest += chunk
            if len(rest) >= BLOCK_BYTES:
                blocks.append(zlib.compress(rest, level=1))
                rest.clear()
        return cls(tuple(blocks), bytes(rest))

    def chunks(self) -> Iterator[bytes]:
        """The content again."""
        yield from map(zlib.decompress, self.blocks)
        yield self.rest


@dataclass(frozen=True)
class ExamResult:
    """stored : the result, still without its fingerprint and the names of the files in the exam's folder

    files : those that were made, by name and in the order in which they are to be written
    """

    stored: StoredExam
    files: Mapping[str, PackedFile]


def process_exam(job: ExamJob, settings: Settings, progress: Progress) -> ExamResult:
    """Estimate an exam and make its files. progress : called with the number of frames of its clips"""
    scans = [packed.unpack() for packed in job.scans]
    progress(sum(scan.frames for scan in scans))  # by which the limit of time grows
    finding = estimate_exam(
        job.exam,
        [scan.tracks for scan in scans if scan.status == "done"],
        [clip_coverage(scan, job.duplicates[scan.file]) for scan in scans],
        settings,
        background=job.background,
    )
    estimated = EstimatedExam(
        job.exam, finding, scans, job.model, job.settings_sha256, job.sign_off, settings.pages, job.neighbours
    )
    stored = stored_exam(summarise(job.exam, finding, scans))
    return ExamResult(stored, {name: PackedFile.of(chunks) for name, chunks in exam_files(estimated).items()})
