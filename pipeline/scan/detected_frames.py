"""Frames with their detections: the detector works on one batch while the next one is decoded.

The detector need not see every frame: what it would find in a frame follows nearly from the frames before and after.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from itertools import islice

from pipeline.detect.between_frames import DetectionsBetween
from pipeline.detect.detector import Detections, FrameDetector
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings_tables import DetectSettings

__all__ = ["detected_frames"]

UsableFrame = tuple[Frame, bool]  # and whether it repeats the picture before it


def detected_frames(
    frames: Iterable[UsableFrame],
    sector: Sector,
    detector: FrameDetector,
    settings: DetectSettings,
    frame_rate: float | None,
) -> Iterator[tuple[Frame, Detections, bool]]:
    """Every frame with its detections, in order, and whether it repeats the picture before it.

    frames : with whether each repeats the one before; a repeated frame takes the detections of that one
    frame_rate : of the clip, per second
    """
    every = settings.network_every(frame_rate)
    source = iter(frames)
    previous: Detections | None = None
    is_first_batch = True
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="detect") as thread:

        def submit_batch() -> tuple[list[UsableFrame], Future[list[Detections]]]:
            nonlocal is_first_batch
            batch = list(islice(source, settings.batch_frames * every))
            new = [frame for frame, is_repeat in batch if not is_repeat]
            seen = _seen_frames(new, every, with_first=is_first_batch)
            is_first_batch = False
            return batch, thread.submit(detector.detect, seen, sector)

        batch, pending = submit_batch()
        while batch:
            next_batch, next_pending = submit_batch()
            answers = {detections.frame: detections for detections in pending.result()}
            before, after = previous, iter(answers.values())
            upcoming, between = next(after, None), None
            for frame, is_repeat in batch:
                if is_repeat and previous is not None:
                    previous = replace(previous, frame=frame.index)
                elif frame.index in answers:
                    previous = before = answers[frame.index]
                    upcoming, between = next(after, None), None
                else:
                    assert before is not None, "the first frame of a clip is seen"
                    assert upcoming is not None, "the last frame of a batch is seen"
                    between = between or DetectionsBetween(before, upcoming)
                    previous = between.at(frame.index, settings.minimum_score)
                yield frame, previous, is_repeat
            batch, pending = next_batch, next_pending


def _seen_frames(new: list[Frame], every: int, *, with_first: bool) -> list[Frame]:
    """Those that the detector sees of a batch: every so many, counted so that the last one is among them."""
    seen = new[(len(new) - 1) % every :: every]
    return [new[0], *seen] if with_first and seen and seen[0] is not new[0] else seen
