"""Frames of clips for the page, decoded and masked as the batch did: black outside the sector, so that names and dates
on a scanner's screen are not shown. The recording itself is never served.

Frames before a sector is found are black as a whole, since any part of the screen may be a name.
"""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256, file_state
from pipeline.ingest.sector.region_sector import find_sector_with_regions
from pipeline.ingest.sector.sector import Sector
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings_tables import IngestSettings

__all__ = ["FrameCache", "FrameUnavailableError", "MaskedFrame", "masked_frames"]

JPEG_QUALITY = 82  # of 100 (judgement, no source)
CACHED_CLIPS = 6
FRAME_TIMEOUT_S = 20.0  # for a frame that has not been decoded yet


class FrameUnavailableError(Exception):
    """A frame cannot be shown. The text says why, for the page."""


@dataclass(frozen=True)
class MaskedFrame:
    """index : from 0 in decoding order;  grey : (H, W) uint8, black outside the sector;  sector : None until found"""

    index: int
    grey: NDArray[np.uint8]
    sector: Sector | None


class FrameCache:
    """Decodes each clip once, ahead of the requests, and keeps the last few. May be used from many threads."""

    def __init__(self, settings: IngestSettings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._clips: OrderedDict[str, _DecodedClip] = OrderedDict()
        self._sha256_of: dict[Location, tuple[FileState, str]] = {}

    def frame(self, path: Location, scan: ClipScan, index: int) -> bytes:
        """One frame of a clip as JPEG, counted from 0 in decoding order. Raises FrameUnavailableError."""
        return self._decoded(path, scan).frame(index)

    def begin(self, path: Location, scan: ClipScan) -> None:
        """Begin to decode a clip that will be asked for. Raises FrameUnavailableError."""
        self._decoded(path, scan)

    def _decoded(self, path: Location, scan: ClipScan) -> _DecodedClip:
        self._check(path, scan)
        with self._lock:
            clip = self._clips.get(scan.sha256)
            if clip is None:
                clip = self._clips[scan.sha256] = _DecodedClip(path, scan, self._settings)
                threading.Thread(target=clip.decode, daemon=True, name="decode-clip").start()
            self._clips.move_to_end(scan.sha256)
            evicted = [self._clips.popitem(last=False)[1] for _ in range(len(self._clips) - CACHED_CLIPS)]
        for old in evicted:
            old.stop()
        return clip

    def close(self) -> None:
        with self._lock:
            for clip in self._clips.values():
                clip.stop()
            self._clips.clear()

    def _check(self, path: Location, scan: ClipScan) -> None:
        """Raises FrameUnavailableError if the file is not the recording that was scanned."""
        try:
            state = file_state(path)
            known = self._sha256_of.get(path)
            if known is None or known[0] != state:
                known = self._sha256_of[path] = state, file_sha256(path)
        except ClipError as error:
            raise FrameUnavailableError(
                f"{scan.file} has been moved or deleted, so only the stored pictures can be shown."
            ) from error
        if known[1] != scan.sha256:
            raise FrameUnavailableError(f"{scan.file} has changed since the batch read it. Run the batch again.")


class _DecodedClip:
    """The frames of one clip decoded so far, as JPEGs in an unnamed temporary file."""

    def __init__(self, path: Location, scan: ClipScan, settings: IngestSettings) -> None:
        self._path = path
        self._scan = scan
        self._settings = settings
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as this object
        self._ends = [0]  # where the JPEG of each frame ends in the file, after a leading 0
        self._changed = threading.Condition()
        self._is_done = False
        self._is_stopped = False
        self._problem: str | None = None

    def frame(self, index: int) -> bytes:
        with self._changed:
            self._changed.wait_for(lambda: self._is_done or len(self._ends) > index + 1, FRAME_TIMEOUT_S)
            if self._is_stopped or len(self._ends) <= index + 1:
                raise FrameUnavailableError(self._problem or f"{self._scan.file} has no frame {index}.")
            self._file.seek(self._ends[index])
            return self._file.read(self._ends[index + 1] - self._ends[index])

    def stop(self) -> None:
        with self._changed:
            self._is_stopped = self._is_done = True
            self._problem = "Other clips have been opened since. Try again."
            self._file.close()
            self._changed.notify_all()

    def decode(self) -> None:
        """Decode the clip to its end; runs in a thread of its own."""
        import cv2

        try:
            for masked in masked_frames(self._path, self._settings):
                _, data = cv2.imencode(".jpg", masked.grey, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
                with self._changed:
                    if self._is_stopped:
                        return
                    self._file.seek(0, 2)
                    self._file.write(data.tobytes())
                    self._ends.append(self._file.tell())
                    self._changed.notify_all()
        except (ClipError, OSError) as error:
            self._problem = f"{self._scan.file} cannot be shown: {error}"
        finally:
            with self._changed:
                self._is_done = True
                self._changed.notify_all()


def masked_frames(path: Location, settings: IngestSettings) -> Iterator[MaskedFrame]:
    """Every frame of a clip that the batch has read before. Raises ClipError if it cannot be read."""
    with open_clip(path, settings) as recording:
        source = iter(recording)
        while ahead := list(islice(source, settings.sector_lookahead_frames)):
            sector, _ = find_sector_with_regions([frame.grey for frame in ahead], recording.calibration)
            mask = np.uint8(0) if sector is None else sector.mask.astype(np.uint8)
            for frame in ahead if sector is None else chain(ahead, source):
                yield MaskedFrame(frame.index, frame.grey * mask, sector)
