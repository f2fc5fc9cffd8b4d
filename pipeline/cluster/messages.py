"""What the machine that runs a night and the workers of the cluster tell each other, through Dask's scheduler."""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["TOPIC", "Admitted", "Message", "Outcome", "Ready", "Refused", "Started", "StepsDone", "decoded", "encoded"]

TOPIC = "clutchlight"
"""Of the scheduler's events, to which the workers write. One for all nights, since the scheduler keeps each topic."""


@dataclass(frozen=True)
class Ready:
    """A worker has loaded what the jobs need. description : as in `JobPool`"""

    worker: str
    description: Any


@dataclass(frozen=True)
class Admitted:
    """The description is that of the night, so the worker does jobs. slots : so many side by side"""

    worker: str
    slots: int


@dataclass(frozen=True)
class Refused:
    """The worker does no job. reason : the end of a sentence"""

    worker: str
    reason: str


@dataclass(frozen=True)
class Started:
    """A worker begins a job. key : of the job"""

    key: str


@dataclass(frozen=True)
class StepsDone:
    """steps : that a job has done since the last message of this kind"""

    key: str
    steps: int


Message = Ready | Admitted | Refused | Started | StepsDone


@dataclass(frozen=True)
class Outcome:
    """What came of a job.

    result : what it returned, where ``error`` is None
    error : what it raised, or why it was not done
    worker, slot : which process did it
    steps : that were not yet reported
    processor_s, peak_memory_mib : of that process, so far
    """

    result: Any
    error: BaseException | None
    worker: str
    slot: int
    steps: int
    processor_s: float
    peak_memory_mib: int


def encoded(night: str, message: Message) -> dict[str, Any]:
    """As Dask sends it, which knows no classes. night : an id, different in every night"""
    return {"night": night, "message": pickle.dumps(message)}


def decoded(night: str, event: Mapping[str, Any]) -> Message | None:
    """None for a message of another night. Only machines of the cluster can write one."""
    if event.get("night") != night:
        return None
    message: Message = pickle.loads(event["message"])
    return message
