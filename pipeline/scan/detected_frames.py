"""Frames with their detections: the detector works on one batch while the next one is decoded."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from itertools import islice

from pipeline.detect.detector import Detections, FrameDetector
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector

__all__ = ["detected_frames"]


def detected_frames(
    frames: Iterable[tuple[Frame, bool]], sector: Sector, detector: FrameDetector, batch_frames: int
) -> Iterator[tuple[Frame, Detections, bool]]:
    """Every frame with its detections, in order, and whether it repeats the picture before it.

    frames : with whether each repeats the one before; a repeated frame takes the detections of that one
    """
    source = iter(frames)
    previous: Detections | None = None
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="detect") as thread:

        def submit_batch() -> tuple[list[tuple[Frame, bool]], Future[list[Detections]]]:
            batch = list(islice(source, batch_frames))
            new = [frame for frame, is_repeat in batch if not is_repeat]
            return batch, thread.submit(detector.detect, new, sector)

        batch, pending = submit_batch()
        while batch:
            next_batch, next_pending = submit_batch()
            answers = iter(pending.result())
            for frame, is_repeat in batch:
                repeated = previous if is_repeat else None
                previous = next(answers) if repeated is None else replace(repeated, frame=frame.index)
                yield frame, previous, is_repeat
            batch, pending = next_batch, next_pending
