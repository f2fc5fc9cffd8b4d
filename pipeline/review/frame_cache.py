"""The frames of clips for the page, read and masked as the batch read them: black outside the sector, so that names
and dates on a scanner's screen stay out of the page. The recording itself is never handed out.

Where no sector was found nothing but the surroundings of what was followed is shown, for any other part may be text.
"""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict
from collections.abc import Iterator
from itertools import chain, islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import FileState, file_sha256, file_state
from pipeline.ingest.sector.region_sector import find_sector_with_regions
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import IngestSettings

__all__ = ["FrameCache", "FrameUnavailableError", "masked_frames"]

JPEG_QUALITY = 82
CACHED_CLIPS = 6
WAIT_SECONDS = 20.0


class FrameUnavailableError(Exception):
    """Frames that cannot be shown, in words for the page."""


class FrameCache:
    """Reads clips ahead, each once, and keeps the last few. May be used from many threads."""

    def __init__(self, settings: IngestSettings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._reels: OrderedDict[str, _Reel] = OrderedDict()
        self._known: dict[Path, tuple[FileState, str]] = {}

    def frame(self, path: Path, scan: ClipScan, index: int) -> bytes:
        """One frame of a clip as JPEG, counted from 0 in decoding order. Raises FrameUnavailableError."""
        self._check(path, scan)
        with self._lock:
            reel = self._reels.get(scan.sha256)
            if reel is None:
                reel = self._reels[scan.sha256] = _Reel(path, scan, self._settings)
                threading.Thread(target=reel.read, daemon=True, name="reel").start()
            self._reels.move_to_end(scan.sha256)
            left = [self._reels.popitem(last=False)[1] for _ in range(len(self._reels) - CACHED_CLIPS)]
        for old in left:
            old.stop()
        return reel.frame(index)

    def close(self) -> None:
        with self._lock:
            for reel in self._reels.values():
                reel.stop()
            self._reels.clear()

    def _check(self, path: Path, scan: ClipScan) -> None:
        """The file must still be the recording that the answers are about."""
        try:
            state = file_state(path)
            known = self._known.get(path)
            if known is None or known[0] != state:
                known = self._known[path] = state, file_sha256(path)
        except ClipError as error:
            raise FrameUnavailableError(
                f"{scan.file} is no longer where it was, so only its pictures can be shown."
            ) from error
        if known[1] != scan.sha256:
            raise FrameUnavailableError(f"{scan.file} has changed since it was read. Run the batch again.")


class _Reel:
    """The frames of one clip as JPEGs in a file without a name, as far as they have been read."""

    def __init__(self, path: Path, scan: ClipScan, settings: IngestSettings) -> None:
        self._path = path
        self._scan = scan
        self._settings = settings
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as the reel
        self._ends = [0]
        self._news = threading.Condition()
        self._is_done = False
        self._stopped = False
        self._fault: str | None = None

    def frame(self, index: int) -> bytes:
        with self._news:
            self._news.wait_for(lambda: self._is_done or len(self._ends) > index + 1, WAIT_SECONDS)
            if self._stopped or len(self._ends) <= index + 1:
                raise FrameUnavailableError(self._fault or f"{self._scan.file} has no frame {index}.")
            self._file.seek(self._ends[index])
            return self._file.read(self._ends[index + 1] - self._ends[index])

    def stop(self) -> None:
        with self._news:
            self._stopped = self._is_done = True
            self._fault = "The page has moved on to other clips; ask again."
            self._file.close()
            self._news.notify_all()

    def read(self) -> None:
        """Read the clip to its end; runs in a thread of its own."""
        import cv2

        try:
            for _, grey, _ in masked_frames(self._path, self._settings):
                _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
                with self._news:
                    if self._stopped:
                        return
                    self._file.seek(0, 2)
                    self._file.write(data.tobytes())
                    self._ends.append(self._file.tell())
                    self._news.notify_all()
        except (ClipError, OSError) as error:
            self._fault = f"{self._scan.file} cannot be shown: {error}"
        finally:
            with self._news:
                self._is_done = True
                self._news.notify_all()


def masked_frames(path: Path, settings: IngestSettings) -> Iterator[tuple[int, NDArray[np.uint8], Sector | None]]:
    """Every frame of a clip that was read before: number, (H, W) uint8 that are black outside the sector, the sector,
    None before it was found.

    Raises ClipError where it cannot be read.
    """
    with open_clip(path, settings) as recording:
        source = iter(recording)
        while ahead := list(islice(source, settings.sector_lookahead_frames)):
            sector, _ = find_sector_with_regions([frame.grey for frame in ahead], recording.calibration)
            # Before there are echoes, nobody knows what on a screen is a name.
            shown = np.uint8(0) if sector is None else sector.mask.astype(np.uint8)
            for frame in ahead if sector is None else chain(ahead, source):
                yield frame.index, frame.grey * shown, sector
