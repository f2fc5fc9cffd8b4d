"""The clips of a run: each scan comes from the store, or the clip is read now, or it is left for a later run."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.batch.duplicates import Duplicates, find_duplicates
from pipeline.batch.events import ClipStarted, FramesRead
from pipeline.batch.run_context import RunContext
from pipeline.batch.run_report import ClipReport, ClipStatus
from pipeline.exams.exam_search import Exam, ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import RecordingIdentity, file_state, identify_recording, pictures_sha256
from pipeline.scan.clip_scan import ClipScan, refused_scan, scan_clip
from pipeline.scan.serialization import pack_scan, unpack_scan
from pipeline.settings import scan_settings_sha256
from pipeline.store.store import ScanKey

__all__ = ["ClipReader"]

STILL_COPYING = "The file changed moments ago and may still be being copied; the next run tries again."


@dataclass(frozen=True)
class ClipReader:
    """Gives the scan of each clip of a run.

    settings_sha256 : of the settings that decide a scan
    identities : of the clips that were readable when the run began, by path
    duplicates : of the clips whose recording is in the exams more than once, by path
    """

    context: RunContext
    settings_sha256: str
    identities: Mapping[Path, RecordingIdentity]
    duplicates: Mapping[Path, Duplicates]

    @classmethod
    def prepare(cls, exams: Sequence[Exam], context: RunContext) -> ClipReader:
        """Compute the digest of every file, and look for duplicates. Nothing is decoded."""
        settings = context.settings.ingest
        identities: dict[Path, RecordingIdentity] = {}
        for clip in (clip for exam in exams for clip in exam.clips if clip.refusal is None):
            with suppress(ClipError):  # reported when the clip is read
                identities[clip.path] = identify_recording(clip.path, settings)
        duplicates = find_duplicates(exams, identities, partial(pictures_sha256, settings=settings))
        return cls(context, scan_settings_sha256(context.settings), identities, duplicates)

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
        return identify_recording(path, self.context.settings.ingest)

    def _from_store(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport] | None:
        stored = None if self.context.force else self.context.store.scan(self._key(identity))
        scan = None if stored is None else unpack_scan(stored, clip, identity.sha256)
        return None if scan is None else (scan, ClipReport(clip.file, ClipStatus.KEPT, self._remark(clip, scan)))

    def _from_file(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport]:
        context, sha256 = self.context, identity.sha256
        context.on_event(ClipStarted(clip.file, None))
        scan = scan_clip(
            clip, sha256, context.detector, context.settings, lambda frames: context.on_event(FramesRead(frames))
        )
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
        return scan, ClipReport(clip.file, ClipStatus.READ, self._remark(clip, scan))

    def _key(self, identity: RecordingIdentity) -> ScanKey:
        detector = self.context.detector
        return ScanKey(identity.sha256, detector.model.sha256, self.settings_sha256, detector.engine_name)

    def _remark(self, clip: ExamClip, scan: ClipScan) -> str | None:
        """What a technician should know about a clip that is used."""
        elsewhere = self.duplicates_in_other_exams(clip)
        shared = f"the same recording as {'; '.join(elsewhere)}." if elsewhere else None
        return " ".join(filter(None, (scan.reason, shared))) or None


def _refused(clip: ExamClip, sha256: str, reason: str) -> tuple[ClipScan, ClipReport]:
    scan = refused_scan(clip, sha256, reason)
    return scan, ClipReport(clip.file, ClipStatus.REFUSED, scan.reason)
