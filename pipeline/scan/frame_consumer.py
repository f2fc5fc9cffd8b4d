"""The interface of everything that collects something while a clip streams by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, TypeVar

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.track.tracker import TrackUpdate

__all__ = ["FrameConsumer", "TrackedFrame"]

Result = TypeVar("Result", covariant=True)


@dataclass(frozen=True)
class TrackedFrame:
    """A usable frame with its detections and the tracks that they belong to.

    is_repeat : whether the frame repeats the picture before it; it then has the detections and track ids of that one
    """

    frame: Frame
    detections: Detections
    update: TrackUpdate
    is_repeat: bool


class FrameConsumer(Protocol[Result]):
    """Collects one thing over a clip and returns it at the end.

    add_frame : called for one frame after the other, in order
    finish : called once, after the last frame. final_ids : from provisional to final track ids, confirmed tracks only
    """

    def add_frame(self, tracked: TrackedFrame) -> None: ...
    def finish(self, final_ids: Mapping[int, int]) -> Result: ...
