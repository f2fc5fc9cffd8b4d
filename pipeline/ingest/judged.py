"""The usable frames of a clip, and what became of the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from pipeline.ingest.clip_quality import Cause, ClipQuality
from pipeline.ingest.frame import Frame
from pipeline.ingest.quality import FrameJudge
from pipeline.ingest.sector import Sector
from pipeline.settings import IngestSettings

__all__ = ["JudgedFrames"]


class JudgedFrames:
    """The usable frames of a clip, each with whether it repeats the usable one before; good for one pass.

    frames : how many were decoded so far
    """

    def __init__(
        self, frames: Iterable[Frame], sector: Sector, settings: IngestSettings, progress: Callable[[int], None]
    ) -> None:
        self.frames = 0
        self._source = frames
        self._judge = FrameJudge(sector, settings)
        self._progress = progress
        self._skipped: Counter[Cause] = Counter()
        self._contact = np.zeros(2)

    def __iter__(self) -> Iterator[tuple[Frame, bool]]:
        was_usable = False
        for frame in self._source:
            quality = self._judge.judge(frame.grey, frame.colours, moves=frame.time_s is not None)
            if quality.cause is None:
                yield frame, quality.repeated and was_usable
            else:
                self._skipped[quality.cause] += 1
            self._contact += quality.contact
            was_usable = quality.usable
            self.frames += 1
            self._progress(1)

    @property
    def quality(self) -> ClipQuality:
        """Of all frames so far."""
        left, right = (round(float(share), 3) for share in self._contact / max(self.frames, 1))
        skipped = sorted(self._skipped.items(), key=lambda each: (-each[1], each[0]))
        return ClipQuality(tuple(skipped), (left, right))

    def verdict(self, used: int) -> str:
        """Why a clip with so few used frames is refused."""
        quality = self.quality
        return (
            f"only {used} of {self.frames} frames could be used ({quality.causes}); {quality.hint or 'record again'}."
        )
