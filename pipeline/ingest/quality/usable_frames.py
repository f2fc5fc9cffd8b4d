"""The usable frames of a clip, what became of the others, and the sector that all of them share."""

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
from pipeline.settings import IngestSettings

__all__ = ["UsableFrames"]

# Frames judged one after the other: decoding between them drives the judge out of the processor's cache.
CHUNK_FRAMES = 4


class UsableFrames:
    """The usable frames of a clip, each with whether it repeats the usable one before; good for one pass.

    A sector is looked for from the beginning, a few frames at a time. Frames before it is found show no echoes, and
    without a sector nobody knows what on the screen is a name: they are counted as unusable, and none is let out. A
    clip that shows no sector to its end has no usable frame at all.

    sector : None if there is none;  opening_frame : the first frame that it was found from, None likewise
    calibration : what of the clip's is believed
    frames_read : how many were decoded so far
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
        self._contact = np.zeros(2)
        self._stood_still = False
        source = iter(frames)
        while ahead := list(islice(source, settings.sector_lookahead_frames)):
            self.sector, self.calibration = find_sector_with_regions([frame.grey for frame in ahead], calibration)
            if self.sector is not None:
                self.opening_frame = ahead[0]
                break
            self._pass_over(ahead)
        self._source = chain(ahead, source)

    def __iter__(self) -> Iterator[tuple[Frame, bool]]:
        if self.sector is None:
            return
        judge = FrameQualityAssessor(self.sector, self._settings)
        was_usable = False
        while some := list(islice(self._source, CHUNK_FRAMES)):
            qualities = [judge.assess(frame.grey, frame.chroma, is_video=frame.time_s is not None) for frame in some]
            for frame, quality in zip(some, qualities, strict=True):
                if quality.rejection_cause is None:
                    yield frame, quality.repeated and was_usable
                else:
                    self._skipped[quality.rejection_cause] += 1
                self._contact += quality.contact
                self._stood_still = frame.time_s is not None and self.frames_read > 0 and not judge.has_moved
                was_usable = quality.usable
                self.frames_read += 1
                self._progress(1)

    @property
    def quality(self) -> ClipQuality:
        """Of all frames so far."""
        left, right = (round(float(share), 3) for share in self._contact / max(self.frames_read, 1))
        skipped = sorted(self._skipped.items(), key=lambda each: (-each[1], each[0]))
        return ClipQuality(tuple(skipped), (left, right), self._stood_still)

    def rejection_reason(self, used: int) -> str:
        """Why a clip with so few used frames is refused."""
        quality = self.quality
        hint = f"({quality.causes_text}); for the next scan: {quality.hint or 'record again'}."
        if self.sector is None:
            return f"no part of the screen shows echoes in any of {self.frames_read} frames {hint}"
        return f"only {used} of {self.frames_read} frames could be used {hint}"

    def _pass_over(self, frames: Sequence[Frame]) -> None:
        """Counts frames without a sector, as what they are judged to be by the whole screen, else as no contact."""
        height, width = frames[0].grey.shape
        screen = Sector("rectangle", np.ones((height, width), np.bool_), (0, 0, width, height))
        judge = FrameQualityAssessor(screen, self._settings)
        for frame in frames:
            # Without a sector, colours may be those of a menu, and tell nothing.
            quality = judge.assess(frame.grey, is_video=frame.time_s is not None)
            self._skipped[quality.rejection_cause or "no contact"] += 1
        self.frames_read += len(frames)
        self._progress(len(frames))
