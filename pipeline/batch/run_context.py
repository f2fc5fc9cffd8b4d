"""What all exams and clips of one run share."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.batch.clip_worker import ClipWorker
from pipeline.batch.damaged_results import DamagedResults
from pipeline.batch.events import EventListener, ignore_event
from pipeline.settings import Settings
from pipeline.store.store import Store

__all__ = ["RunContext"]


@dataclass(frozen=True)
class RunContext:
    """The store and settings of one run, and what reads its clips.

    force : read clips again that the store already holds, and write every exam again
    retry_refused : also read clips that killed or outlasted the worker in an earlier run
    on_event : called with each `BatchEvent`
    damaged : what the store lost on the disk
    """

    store: Store
    settings: Settings
    worker: ClipWorker
    force: bool = False
    retry_refused: bool = False
    on_event: EventListener = ignore_event
    damaged: DamagedResults = field(default_factory=DamagedResults)
