"""Undo and redo: which answers are undone, and which one a user's next undo or redo applies to."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.people.answers import Redo, ReopenExam, SignExam, Undo
from pipeline.people.event_log import Event

__all__ = ["undo_redo_targets", "undone_sequences"]


def undo_redo_targets(events: Sequence[Event], person: str) -> tuple[int | None, int | None]:
    """The sequences of the answers that undo and redo of this user would apply to; None if there is none."""
    done: list[int] = []
    undone: list[int] = []
    for event in events:
        if event.person != person or isinstance(event.answer, SignExam | ReopenExam):
            continue
        if isinstance(event.answer, Undo):
            if event.answer.of in done:
                done.remove(event.answer.of)
                undone.append(event.answer.of)
        elif isinstance(event.answer, Redo):
            if event.answer.of in undone:
                undone.remove(event.answer.of)
                done.append(event.answer.of)
        else:
            done.append(event.sequence)
            undone.clear()
    return (done[-1] if done else None), (undone[-1] if undone else None)


def undone_sequences(events: Sequence[Event]) -> set[int]:
    """The sequences of the answers that are undone after these events, from any user."""
    undone: set[int] = set()
    for event in events:
        if isinstance(event.answer, Undo) and event.answer.of is not None:
            undone.add(event.answer.of)
        elif isinstance(event.answer, Redo) and event.answer.of is not None:
            undone.discard(event.answer.of)
    return undone
