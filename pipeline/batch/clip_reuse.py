"""The clips of a run: each scan comes from the store, or the clip is read now, or it is left for a later run."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.batch.clip_worker import ClipWorker
from pipeline.batch.damaged_results import CLIP_REMARK
from pipeline.batch.duplicates import Duplicates, find_duplicates
from pipeline.batch.events import ClipStarted, FramesRead
from pipeline.batch.refused_recordings import Refusal, RefusedRecordings
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import ClipReport, ClipStatus
from pipeline.exams.exam_search import Exam, ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import RecordingIdentity, file_sha256, file_state
from pipeline.scan.clip_scan import ClipScan, refused_scan
from pipeline.scan.serialization import pack_scan, unpack_scan
from pipeline.settings import scan_settings_sha256
from pipeline.store.store import ScanKey

__all__ = ["ClipReader"]

STILL_COPYING = "The file changed moments ago and may still be being copied; the next run tries again."


@dataclass(frozen=True)
class ClipReader:
    """Gives the scan of each clip of a run.

    settings_sha256 : of the settings that decide a scan
    refused : recordings that killed or outlasted the worker, with the reason
    identities : of the clips that were readable when the run began, by path
    duplicates : of the clips whose recording is in the exams more than once, by path
    """

    context: RunContext
    settings_sha256: str
    refused: RefusedRecordings
    identities: Mapping[Path, RecordingIdentity]
    duplicates: Mapping[Path, Duplicates]

    @classmethod
    def prepare(cls, exams: Sequence[Exam], context: RunContext) -> ClipReader:
        """Compute the digest of every file, and look for duplicates. Nothing is decoded."""
        refused = RefusedRecordings(context.store, retry=context.retry_refused)
        identities: dict[Path, RecordingIdentity] = {}
        for clip in (clip for exam in exams for clip in exam.clips if clip.refusal is None):
            with suppress(ClipError):  # reported when the clip is read
                identities[clip.path] = _identify(clip.path, context.worker, refused)

        def all_pictures_sha256(path: Path) -> str | None:
            sha256 = refused.attempt(identities[path].sha256, partial(context.worker.pictures_sha256, path))
            return None if isinstance(sha256, Refusal) else sha256

        duplicates = find_duplicates(exams, identities, all_pictures_sha256)
        return cls(context, scan_settings_sha256(context.settings), refused, identities, duplicates)

    def read(self, clip: ExamClip, exam: Exam) -> tuple[ClipScan, ClipReport]:
        """The clip's scan and its report. A clip that cannot be used is refused with a reason."""
        if clip.refusal is not None:
            return _refused(clip, "", clip.refusal)
        duplicates = self.duplicates.get(clip.path, Duplicates())
        if duplicates.replaced_by is not None:
            used = next(other for other in exam.clips if other.file == duplicates.replaced_by)
            return _refused(clip, self.identities[clip.path].sha256, duplicates.refusal(clip, used))
        try:
            identity = self._current_identity(clip.path)
            return self._from_store(clip, identity) or self._from_file(clip, identity)
        except ClipError as error:
            return _refused(clip, "", str(error))

    def duplicates_in_other_exams(self, clip: ExamClip) -> tuple[str, ...]:
        """The other exams and files that hold the same recording, in words."""
        return self.duplicates.get(clip.path, Duplicates()).in_other_exams

    def _current_identity(self, path: Path) -> RecordingIdentity:
        # The file may have changed in the hours since the run began.
        known = self.identities.get(path)
        if known is not None and known.state == file_state(path):
            return known
        return _identify(path, self.context.worker, self.refused)

    def _from_store(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport] | None:
        stored = None if self.context.force else self.context.store.scan(self._key(identity))
        scan = None if stored is None else unpack_scan(stored, clip, identity.sha256)
        return None if scan is None else (scan, ClipReport(clip.file, ClipStatus.KEPT, self._remark(clip, scan)))

    def _from_file(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport]:
        context, sha256 = self.context, identity.sha256
        scan = self.refused.attempt(sha256, partial(self._scan, clip, sha256))
        if isinstance(scan, Refusal):
            return _refused(clip, sha256, scan.reason)
        if file_state(clip.path) != identity.state:
            # Its scan would be stored under the digest of other content.
            return _refused(clip, sha256, "the file changed while it was read; the next run reads it again.")
        # Nothing in a folder of stills shows whether it is complete.
        is_whole = scan.status == "done" and scan.reason is None and not clip.path.is_dir()
        age_seconds = abs(time.time() - identity.state.modified_ns / 1e9)
        if not is_whole and age_seconds < context.settings.run.settle_seconds:
            return _refused(clip, sha256, " ".join(filter(None, (scan.reason, STILL_COPYING))))
        if scan.status == "refused":
            # Not stored: finding it out again is quick, and the cause may be the machine rather than the clip.
            return scan, ClipReport(clip.file, ClipStatus.REFUSED, scan.reason)
        context.store.save_scan(self._key(identity), pack_scan(scan))
        lost = CLIP_REMARK if sha256 in context.damaged.clips and not context.force else None
        return scan, ClipReport(clip.file, ClipStatus.READ, self._remark(clip, scan, lost))

    def _scan(self, clip: ExamClip, sha256: str) -> ClipScan:
        on_event = self.context.on_event
        on_event(ClipStarted(clip.file, None))
        return self.context.worker.scan(clip, sha256, lambda frames: on_event(FramesRead(frames)))

    def _key(self, identity: RecordingIdentity) -> ScanKey:
        worker = self.context.worker
        return ScanKey(identity.sha256, worker.model.sha256, self.settings_sha256, worker.engine_name)

    def _remark(self, clip: ExamClip, scan: ClipScan, lost: str | None = None) -> str | None:
        """What a technician should know about a clip that is used. lost : that its kept scan was"""
        elsewhere = self.duplicates_in_other_exams(clip)
        shared = f"the same recording as {'; '.join(elsewhere)}." if elsewhere else None
        return " ".join(filter(None, (scan.reason, shared, lost))) or None


def _identify(path: Path, worker: ClipWorker, refused: RefusedRecordings) -> RecordingIdentity:
    """The recording's identity; by its bytes alone if its first picture may not be read.

    Raises ClipError if the recording cannot be read.
    """
    state, sha256 = file_state(path), file_sha256(path)
    first = refused.attempt(sha256, partial(worker.pictures_sha256, path, max_packets=1))
    return RecordingIdentity(state, sha256, first if isinstance(first, str) else sha256)


def _refused(clip: ExamClip, sha256: str, reason: str) -> tuple[ClipScan, ClipReport]:
    scan = refused_scan(clip, sha256, reason)
    return scan, ClipReport(clip.file, ClipStatus.REFUSED, scan.reason)
