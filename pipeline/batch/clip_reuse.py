"""The clips of a night, each read once: taken from the store if an earlier night read it, or left for a later one."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.batch.duplicates import Duplicates, find_duplicates
from pipeline.batch.events import ClipReport, ClipStarted, EventListener, FramesRead
from pipeline.detect.detector import FrameDetector
from pipeline.exams.exam_search import Exam, ExamClip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import RecordingIdentity, file_state, identify_recording, pictures_sha256
from pipeline.scan.clip_scan import ClipScan, refused_scan, scan_clip
from pipeline.scan.serialization import pack_scan, unpack_scan
from pipeline.settings import Settings, scan_settings_sha256
from pipeline.store.store import ScanKey, Store

__all__ = ["ClipReader"]

COPY_IN_PROGRESS = "It was written to just now and may still be on its way here; the next run looks again."


@dataclass(frozen=True)
class ClipReader:
    """identities : by path, of the clips that could be read when the night began;  copies : by path

    force : read clips, too, that the store knows
    """

    store: Store
    settings: Settings
    settings_sha256: str
    detector: FrameDetector
    force: bool
    on_event: EventListener
    identities: Mapping[Path, RecordingIdentity]
    copies: Mapping[Path, Duplicates]

    @classmethod
    def prepare(
        cls,
        exams: Sequence[Exam],
        store: Store,
        settings: Settings,
        detector: FrameDetector,
        force: bool,
        on_event: EventListener,
    ) -> ClipReader:
        """Reads every file of the night once, for what it is, and again those that may be copies; decodes nothing."""
        identities: dict[Path, RecordingIdentity] = {}
        for clip in (clip for exam in exams for clip in exam.clips if clip.refusal is None):
            with suppress(ClipError):  # told when its turn comes
                identities[clip.path] = identify_recording(clip.path, settings.ingest)
        copies = find_duplicates(exams, identities, partial(pictures_sha256, settings=settings.ingest))
        return cls(store, settings, scan_settings_sha256(settings), detector, force, on_event, identities, copies)

    def read(self, clip: ExamClip, exam: Exam) -> tuple[ClipScan, ClipReport]:
        """The clip's scan and what is told of it; a clip that cannot be used is refused with the reason."""
        if clip.refusal is not None:
            return _refused(clip, "", clip.refusal)
        copies = self.copies.get(clip.path, Duplicates())
        if copies.replaced_by is not None:
            used = next(other for other in exam.clips if other.file == copies.replaced_by)
            return _refused(clip, self.identities[clip.path].sha256, copies.refusal(clip, used))
        try:
            identity = self._identity(clip.path)
            return self._kept(clip, identity) or self._scanned(clip, identity)
        except ClipError as error:
            return _refused(clip, "", str(error))

    def duplicates_in_other_exams(self, clip: ExamClip) -> tuple[str, ...]:
        """Where else, in other exams, the same recording lies, in words."""
        return self.copies.get(clip.path, Duplicates()).in_other_exams

    def _identity(self, path: Path) -> RecordingIdentity:
        # As it is now: hours may have passed since the night began.
        known = self.identities.get(path)
        if known is not None and known.state == file_state(path):
            return known
        return identify_recording(path, self.settings.ingest)

    def _kept(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport] | None:
        kept = None if self.force else self.store.scan(self._key(identity))
        scan = None if kept is None else unpack_scan(kept, clip, identity.sha256)
        return None if scan is None else (scan, ClipReport(clip.file, "kept", self._remark(clip, scan)))

    def _scanned(self, clip: ExamClip, identity: RecordingIdentity) -> tuple[ClipScan, ClipReport]:
        sha256 = identity.sha256
        self.on_event(ClipStarted(clip.file, None))
        scan = scan_clip(clip, sha256, self.detector, self.settings, lambda frames: self.on_event(FramesRead(frames)))
        if file_state(clip.path) != identity.state:
            # Its scan would be kept under the content of another moment.
            return _refused(clip, sha256, "the file changed while it was read; the next run reads it again.")
        # Of a folder of pictures nothing tells whether it is whole.
        is_whole = scan.status == "done" and scan.reason is None and not clip.path.is_dir()
        if not is_whole and abs(time.time() - identity.state.modified_ns / 1e9) < self.settings.run.settle_seconds:
            return _refused(clip, sha256, " ".join(filter(None, (scan.reason, COPY_IN_PROGRESS))))
        if scan.status == "refused":
            # Not kept: a refusal costs little, and its cause may lie in the machine rather than in the clip.
            return scan, ClipReport(clip.file, "refused", scan.reason)
        self.store.save_scan(self._key(identity), pack_scan(scan))
        return scan, ClipReport(clip.file, "read", self._remark(clip, scan))

    def _key(self, identity: RecordingIdentity) -> ScanKey:
        return ScanKey(identity.sha256, self.detector.model.sha256, self.settings_sha256, self.detector.engine_name)

    def _remark(self, clip: ExamClip, scan: ClipScan) -> str | None:
        """What a technician should know of a clip that is used."""
        elsewhere = self.duplicates_in_other_exams(clip)
        shared = f"the same recording as {'; '.join(elsewhere)}." if elsewhere else None
        return " ".join(filter(None, (scan.reason, shared))) or None


def _refused(clip: ExamClip, sha256: str, reason: str) -> tuple[ClipScan, ClipReport]:
    scan = refused_scan(clip, sha256, reason)
    return scan, ClipReport(clip.file, "refused", scan.reason)
