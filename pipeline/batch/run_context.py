"""What all exams and clips of one run share."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.batch.damaged_results import DamagedResults
from pipeline.batch.events import EventListener, ignore_event
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.workers import BatchWorkers
from pipeline.settings import Settings
from pipeline.store.store import Store

__all__ = ["RunContext"]


@dataclass(frozen=True)
class RunContext:
    """The store and settings of one run, and what reads its clips.

    force : read clips again that the store already holds, and write every exam again
    retry_refused : also read clips that killed or outlasted a worker in an earlier run
    on_event : called with each `BatchEvent`
    known : what earlier runs left; None if nothing is remembered
    damaged : what the store lost on the disk
    """

    store: Store
    settings: Settings
    workers: BatchWorkers
    force: bool = False
    retry_refused: bool = False
    on_event: EventListener = ignore_event
    known: KnownExams | None = None
    damaged: DamagedResults = field(default_factory=DamagedResults)
