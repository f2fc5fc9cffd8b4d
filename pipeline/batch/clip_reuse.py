"""The clips of a run: each scan comes from the store, or the clip is read now, or it is left for a later run.

What is not in the store is read side by side, in the order of the exams, and stored as soon as it is read. So a long
clip of one exam does not keep the others waiting, and no scan is held until its exam's turn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial

from pipeline.batch.damaged_results import CLIP_REMARK
from pipeline.batch.duplicates import Duplicates, find_duplicates
from pipeline.batch.events import ClipEnded, ClipStarted, FramesRead
from pipeline.batch.identification import CHANGED, identify
from pipeline.batch.refused_recordings import Refusal, RefusedRecordings
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import ClipReport, ClipStatus
from pipeline.batch.settling import Settling
from pipeline.batch.workers import OtherFileError
from pipeline.exams.exam import Exam, ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import RecordingIdentity, file_state
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.scan.packed_scan import PackedScan
from pipeline.settings import scan_settings_sha256
from pipeline.store.store import ScanKey
from pipeline.worker.job_pool import JobLostError
from pipeline.worker.worker import JobKilledError

__all__ = ["ClipReader"]

STILL_COPYING = "The file changed moments ago and may still be being copied; the next run tries again."


@dataclass(frozen=True)
class _Reading:
    """A clip that is being read.

    end : its report, with the scan only where that is not in the store; None if the clip had changed before its turn
    """

    identity: RecordingIdentity
    end: Future[tuple[PackedScan | None, ClipReport] | None] = field(default_factory=Future)


@dataclass(frozen=True)
class ClipReader:
    """Gives the scan of each clip of a run.

    settings_sha256 : of the settings that decide a scan
    refused : recordings that killed or outlasted a worker, with the reason
    identities : of the clips that were readable when the run began, by path
    duplicates : of the clips whose recording is in the exams more than once, by path
    settling : waits for recordings that are still being copied
    """

    context: RunContext
    settings_sha256: str
    refused: RefusedRecordings
    identities: Mapping[Location, RecordingIdentity]
    duplicates: Mapping[Location, Duplicates]
    settling: Settling
    _readings: dict[Location, _Reading] = field(default_factory=dict)  # begun, and not yet asked for, by path
    _unsettled: dict[Location, FileState] = field(default_factory=dict)  # read, but perhaps still being copied, by path

    @classmethod
    def prepare(cls, exams: Sequence[Exam], context: RunContext) -> ClipReader:
        """Compute the digest of every file that is not known, and look for duplicates. No clip is read yet."""
        refused = RefusedRecordings(context.store, retry=context.retry_refused)
        return cls._with(exams, context, refused, _identities(exams, context, refused))

    def extended(self, exams: Sequence[Exam], more: Sequence[Exam]) -> ClipReader:
        """The reader of ``exams``, which it was prepared for, and more."""
        identities = {**self.identities, **_identities(more, self.context, self.refused)}
        return self._with([*exams, *more], self.context, self.refused, identities)

    @classmethod
    def _with(
        cls,
        exams: Sequence[Exam],
        context: RunContext,
        refused: RefusedRecordings,
        identities: Mapping[Location, RecordingIdentity],
    ) -> ClipReader:
        def all_pictures_sha256(path: Location) -> str | None:
            identity = identities[path]
            read = partial(context.workers.pictures_sha256, path, identity.state)
            try:
                sha256 = refused.attempt(identity.sha256, read)
            except ClipError:  # which is said where the clip is read
                return None
            return None if isinstance(sha256, Refusal) else sha256

        duplicates = find_duplicates(exams, identities, all_pictures_sha256)
        settling = Settling(context.settings.run)
        return cls(context, scan_settings_sha256(context.settings), refused, identities, duplicates, settling)

    def read_ahead(self, exams: Sequence[Exam]) -> None:
        """Begin to read all clips that are not in the store, each recording once."""
        begun: set[str] = set()
        for exam in exams:
            for clip in exam.clips:
                identity = self.identities.get(clip.path)
                replaced = self.duplicates.get(clip.path, Duplicates()).replaced_by is not None
                if identity is None or replaced or identity.sha256 in begun or self.refused.known(identity.sha256):
                    continue
                if self.context.force or not self.context.store.has_scan(self._key(identity)):
                    begun.add(identity.sha256)
                    self._begin(clip, exam, identity)

    def has_read(self, exam: Exam) -> bool:
        """Whether all of the exam's clips are read that were begun, so that `read` need not wait for them."""
        readings = (self._readings.get(clip.path) for clip in exam.clips)
        return all(reading is None or reading.end.done() for reading in readings)

    def read(self, clip: ExamClip, exam: Exam) -> tuple[PackedScan, ClipReport]:
        """The clip's scan and its report. A clip that cannot be used is refused with a reason."""
        if clip.refusal is not None:
            return _refused(clip, "", clip.refusal)
        duplicates = self.duplicates.get(clip.path, Duplicates())
        if duplicates.replaced_by is not None:
            used = next(other for other in exam.clips if other.file == duplicates.replaced_by)
            return _refused(clip, self.identities[clip.path].sha256, duplicates.refusal(clip, used))
        try:
            end = self._end(clip) or self._read_now(clip, exam)
            while (state := self._unsettled.pop(clip.path, None)) and self.settling.wait(clip.path, state):
                end = self._read_now(clip, exam)
            return end
        except ClipError as error:
            return _refused(clip, "", str(error))

    def duplicates_in_other_exams(self, clip: ExamClip) -> tuple[str, ...]:
        """The other exams and files that hold the same recording, in words."""
        return self.duplicates.get(clip.path, Duplicates()).in_other_exams

    def _read_now(self, clip: ExamClip, exam: Exam) -> tuple[PackedScan, ClipReport]:
        """From the store, or from the file before what else waits. Raises ClipError."""
        identity = self._current_identity(clip.path)
        if stored := self._from_store(clip, identity):
            return stored
        if refusal := self.refused.known(identity.sha256):
            return _refused(clip, identity.sha256, refusal.reason)
        self._begin(clip, exam, identity)
        return self._end(clip) or _refused(clip, identity.sha256, CHANGED)

    def _current_identity(self, path: Location) -> RecordingIdentity:
        # The file may have changed in the hours since the run began.
        known = self.identities.get(path)
        if known is not None and known.state == file_state(path):
            return known
        identity = identify([path], self.context, self.refused)[path]
        if isinstance(identity, ClipError):
            raise identity
        return identity

    def _from_store(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[PackedScan, ClipReport] | None:
        scan = None if self.context.force else self._stored_scan(clip, identity)
        return None if scan is None else (scan, ClipReport(clip.file, ClipStatus.KEPT, self._remark(clip, scan)))

    def _stored_scan(self, clip: ExamClip, identity: RecordingIdentity) -> PackedScan | None:
        stored = self.context.store.scan(self._key(identity))
        return None if stored is None else PackedScan.of_stored(stored, clip, identity.sha256)

    def _begin(self, clip: ExamClip, exam: Exam, identity: RecordingIdentity) -> None:
        """Read the clip when a worker is free. `_end` gives what came of it."""
        on_event, names = self.context.on_event, (exam.animal, exam.date.isoformat(), clip.file)
        reading = self._readings[clip.path] = _Reading(identity)
        was_current = False

        def start() -> None:
            nonlocal was_current
            with suppress(ClipError):
                was_current = file_state(clip.path) == identity.state
            on_event(ClipStarted(*names))

        def end(scanned: Future[PackedScan]) -> None:
            on_event(ClipEnded(*names))
            try:
                reading.end.set_result(self._kept(clip, identity, scanned) if was_current else None)
            except BaseException as error:  # raised where the clip is asked for
                reading.end.set_exception(error)

        read = partial(self.context.workers.scan, clip, identity.state, identity.sha256)
        read(start, lambda frames: on_event(FramesRead(frames)), end)

    def _end(self, clip: ExamClip) -> tuple[PackedScan, ClipReport] | None:
        """What came of a clip that was begun; None if it was not, or had changed before its turn."""
        reading = self._readings.get(clip.path)
        if reading is None:
            return None
        self.context.workers.wait(reading.end.done)
        del self._readings[clip.path]
        end = reading.end.result()
        if end is None:
            return None
        scan = end[0] or self._stored_scan(clip, reading.identity)
        assert scan is not None, "it was stored when it was read"
        return scan, end[1]

    def _kept(
        self, clip: ExamClip, identity: RecordingIdentity, scanned: Future[PackedScan]
    ) -> tuple[PackedScan | None, ClipReport]:
        """Store a scan if it is final, else return it with the report. Raises what reading raised."""
        context, sha256 = self.context, identity.sha256
        try:
            scan = scanned.result()
        except JobKilledError as error:
            return _refused(clip, sha256, self.refused.remember(sha256, error).reason)
        except JobLostError as error:
            return _refused(clip, sha256, f"reading it failed: {error}; the next run tries again.")
        except OtherFileError:
            file_state(clip.path)  # raises ClipError if it is gone
            return _refused(clip, sha256, CHANGED)
        if file_state(clip.path) != identity.state:
            # Its scan would be stored under the digest of other content.
            return _refused(clip, sha256, CHANGED)
        # Nothing in a folder of stills shows whether it is complete.
        is_whole = scan.status == "done" and scan.reason is None and not clip.path.is_dir()
        if not is_whole and not self.settling.is_settled(clip.path, identity.state):
            self._unsettled[clip.path] = identity.state
            return _refused(clip, sha256, " ".join(filter(None, (scan.reason, STILL_COPYING))))
        if scan.stored is None:
            # Not stored: finding it out again is quick, and the cause may be the machine rather than the clip.
            return scan, ClipReport(clip.file, ClipStatus.REFUSED, scan.reason)
        context.store.save_scan(self._key(identity), scan.stored)
        lost = CLIP_REMARK if sha256 in context.damaged.clips and not context.force else None
        return None, ClipReport(clip.file, ClipStatus.READ, self._remark(clip, scan, lost))

    def _key(self, identity: RecordingIdentity) -> ScanKey:
        workers = self.context.workers
        return ScanKey(identity.sha256, workers.model.sha256, self.settings_sha256, workers.engine_name)

    def _remark(self, clip: ExamClip, scan: PackedScan, lost: str | None = None) -> str | None:
        """What a technician should know about a clip that is used. lost : that its kept scan was"""
        elsewhere = self.duplicates_in_other_exams(clip)
        shared = f"the same recording as {'; '.join(elsewhere)}." if elsewhere else None
        return " ".join(filter(None, (scan.reason, shared, lost))) or None


def _identities(
    exams: Sequence[Exam], context: RunContext, refused: RefusedRecordings
) -> dict[Location, RecordingIdentity]:
    """The identities of all readable clips, by path; why others have none is reported when they are read."""
    paths = [clip.path for exam in exams for clip in exam.clips if clip.refusal is None]
    found = identify(paths, context, refused)
    return {path: identity for path, identity in found.items() if isinstance(identity, RecordingIdentity)}


def _refused(clip: ExamClip, sha256: str, reason: str) -> tuple[PackedScan, ClipReport]:
    scan = PackedScan.of_refused(clip, sha256, reason)
    return scan, ClipReport(clip.file, ClipStatus.REFUSED, scan.reason)
