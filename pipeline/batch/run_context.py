"""What all exams and clips of one run share."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.batch.events import EventListener, ignore_event
from pipeline.detect.detector import FrameDetector
from pipeline.settings import Settings
from pipeline.store.store import Store

__all__ = ["RunContext"]


@dataclass(frozen=True)
class RunContext:
    """The store, settings and detector of one run.

    force : read clips again that the store already holds, and write every exam again
    on_event : called with each `BatchEvent`
    """

    store: Store
    settings: Settings
    detector: FrameDetector
    force: bool = False
    on_event: EventListener = ignore_event
