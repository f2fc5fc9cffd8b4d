"""Answers in words: for the page's history, for conflicts between users, and for the signed sheet."""

from __future__ import annotations

from pipeline.people.answers import (
    AddComment,
    AddEgg,
    ConfirmEgg,
    LeaveUncertain,
    MarkUnusable,
    MarkUsable,
    MergeEggs,
    Redo,
    RejectEgg,
    ReopenExam,
    ReshapeEgg,
    ResolveQuestion,
    SetStage,
    SignExam,
    SplitEgg,
    Undo,
)
from pipeline.people.event_log import Event

__all__ = ["event_text", "utc_time_text"]


def utc_time_text(at: str) -> str:
    """14:03 UTC, 2026-05-14; "" for an event without time."""
    return f"{at[11:16]} UTC, {at[:10]}" if at else ""


def event_text(event: Event) -> str:
    """What the answer did, without who and when."""
    answer = event.answer
    if isinstance(answer, SignExam):
        return "signed the exam"
    if isinstance(answer, ReopenExam):
        return f"reopened the exam: {answer.reason}"
    if isinstance(answer, Undo | Redo):
        verb = "undid" if isinstance(answer, Undo) else "redid"
        return f"{verb} answer {answer.of}"
    if isinstance(answer, ResolveQuestion):
        return f"closed the question about answer {answer.of}"
    if isinstance(answer, AddComment):
        return f"commented: {answer.text}"
    if isinstance(answer, MarkUnusable | MarkUsable):
        usability = "unusable" if isinstance(answer, MarkUnusable) else "usable again"
        return f"{answer.clip}, frames {answer.first} to {answer.last}: {usability}"
    if isinstance(answer, AddEgg):
        return f"added a missed egg, {answer.stage}, in {answer.clip}, frame {answer.frame}{_count_change(event)}"
    return f"{_egg_answer_text(event)}{_count_change(event)}"


def _egg_answer_text(event: Event) -> str:
    answer, before, after = event.answer, event.before.get("eggs", {}), event.after.get("eggs", {})
    numbers = sorted({*before, *after}, key=int)
    names = _numbers_text(numbers)
    if isinstance(answer, ConfirmEgg):
        return f"{names}: confirmed"
    if isinstance(answer, RejectEgg):
        return f"{names}: not an egg"
    if isinstance(answer, LeaveUncertain):
        return f"{names}: cannot tell"
    if isinstance(answer, ReshapeEgg):
        return f"{names}: new outline in {answer.clip}, frame {answer.frame}"
    if isinstance(answer, SetStage):
        return f"{names}: {answer.stage}"
    if isinstance(answer, MergeEggs):
        return f"{names}: the same egg"
    if isinstance(answer, SplitEgg):
        return f"{names}: two eggs"
    raise TypeError(f"no text for {answer.kind}")


def _numbers_text(numbers: list[str]) -> str:
    if len(numbers) < 2:
        return f"no. {numbers[0]}" if numbers else "no egg"
    return f"nos. {', '.join(numbers[:-1])} and {numbers[-1]}"


def _count_change(event: Event) -> str:
    """How the count of shelled eggs changed, "" if it did not."""
    before, after = event.before.get("shelled"), event.after.get("shelled")
    if not before or not after or before[1] == after[1]:
        return ""
    return f" (shelled eggs {before[1]} \N{RIGHTWARDS ARROW} {after[1]})"
