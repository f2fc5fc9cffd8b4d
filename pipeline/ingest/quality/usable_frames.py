"""The usable frames of a clip, what happened to the others, and the sector that all of them share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice

import numpy as np

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Frame
from pipeline.ingest.quality.clip_quality import ClipQuality, RejectionCause
from pipeline.ingest.quality.frame_quality import FrameQualityAssessor
from pipeline.ingest.sector.region_sector import find_sector_with_regions
from pipeline.ingest.sector.sector import Sector
from pipeline.settings_tables import IngestSettings

__all__ = ["UsableFrames"]

# Frames that are assessed in one go: decoding in between drives the assessor's data out of the processor's cache.
CHUNK_FRAMES = 4


class UsableFrames:
    """The usable frames of a clip, each with whether it repeats the usable frame before. It can be iterated once.

    The sector is searched from the beginning, in batches of frames, when the object is made. Frames before the first
    sector show no echoes, and without a sector nobody knows which part of the screen is a name: they are counted as
    unusable, and none of them is returned. A clip without a sector has no usable frame.

    sector : None if there is none;  opening_frame : the first frame of the batch that showed it, None if there is none
    calibration : the part of the clip's calibration that is believed
    frames_read : number of frames decoded so far
    """

    def __init__(
        self,
        frames: Iterable[Frame],
        calibration: RegionCalibration,
        settings: IngestSettings,
        progress: Callable[[int], None],
    ) -> None:
        self.frames_read = 0
        self.sector: Sector | None = None
        self.opening_frame: Frame | None = None
        self.calibration = calibration
        self._settings = settings
        self._progress = progress
        self._skipped: Counter[RejectionCause] = Counter()
        self._contact_sums = np.zeros(2)
        self._is_static = False
        self._source = self._find_sector(iter(frames))

    def __iter__(self) -> Iterator[tuple[Frame, bool]]:
        if self.sector is None:
            return
        assessor = FrameQualityAssessor(self.sector, self._settings)
        was_usable = False
        while chunk := list(islice(self._source, CHUNK_FRAMES)):
            qualities = [
                assessor.assess(frame.grey, frame.chroma, is_video=frame.time_s is not None) for frame in chunk
            ]
            for frame, quality in zip(chunk, qualities, strict=True):
                if quality.rejection_cause is None:
                    yield frame, quality.repeated and was_usable
                else:
                    self._skipped[quality.rejection_cause] += 1
                self._contact_sums += quality.contact
                self._is_static = frame.time_s is not None and self.frames_read > 0 and not assessor.has_moved
                was_usable = quality.usable
                self.frames_read += 1
                self._progress(1)

    @property
    def quality(self) -> ClipQuality:
        """The quality of all frames so far."""
        left, right = (round(float(total), 3) for total in self._contact_sums / max(self.frames_read, 1))
        skipped = sorted(self._skipped.items(), key=lambda item: (-item[1], item[0]))
        return ClipQuality(tuple(skipped), (left, right), self._is_static)

    def rejection_reason(self, used: int) -> str:
        """Why a clip with so few used frames is refused."""
        quality = self.quality
        hint = f"({quality.causes_text}); for the next scan: {quality.hint or 'record again'}."
        if self.sector is None:
            return f"no part of the screen shows echoes in any of {self.frames_read} frames {hint}"
        return f"only {used} of {self.frames_read} frames could be used {hint}"

    def _find_sector(self, source: Iterator[Frame]) -> Iterator[Frame]:
        """Searches the sector, and returns the frames from the first one that shows it."""
        while batch := list(islice(source, self._settings.sector_lookahead_frames)):
            greys = [frame.grey for frame in batch]
            self.sector, self.calibration = find_sector_with_regions(greys, self.calibration)
            if self.sector is not None:
                self.opening_frame = batch[0]
                break
            self._skip(batch)
        return chain(batch, source)

    def _skip(self, frames: Sequence[Frame]) -> None:
        """Counts frames without a sector under the cause that the whole screen shows, else as no contact."""
        height, width = frames[0].grey.shape
        screen = Sector("rectangle", np.ones((height, width), np.bool_), (0, 0, width, height))
        assessor = FrameQualityAssessor(screen, self._settings)
        for frame in frames:
            # The chroma is left out, because without a sector colours may be those of a menu.
            quality = assessor.assess(frame.grey, is_video=frame.time_s is not None)
            self._skipped[quality.rejection_cause or "no contact"] += 1
        self.frames_read += len(frames)
        self._progress(len(frames))
