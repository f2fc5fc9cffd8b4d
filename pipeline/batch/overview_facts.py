"""What is remembered of the files over all exams from one night to the next."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import TypeAdapter

from pipeline.report.waiting import WaitingExam
from pipeline.store.seen_folders import SeenFolders

__all__ = ["CURRENT_FACT", "FACT", "begin_changes", "save_waiting", "waiting_exams"]

FACT, WAITING_FACT, CURRENT_FACT = "overview", "waiting", "current season"

_WAITING = TypeAdapter(tuple[WaitingExam, ...])


def begin_changes(seen: SeenFolders) -> None:
    """Exams may change from here on, so the seasons must be compared, also if this run is killed."""
    seen.save_fact(FACT, None)


def save_waiting(seen: SeenFolders, waiting: Sequence[WaitingExam]) -> None:
    """Remember which exams wait for whom."""
    seen.save_fact(WAITING_FACT, _WAITING.dump_json(tuple(waiting)).decode())


def waiting_exams(seen: SeenFolders) -> tuple[WaitingExam, ...]:
    """Which exams wait for whom, as it was remembered last."""
    return _WAITING.validate_json(seen.fact(WAITING_FACT) or "[]")
