"""Answers in words: for the page's history, for the person who comes second, and for the signed sheet."""

from __future__ import annotations

from pipeline.review.answers import (
    AddComment,
    AddEgg,
    ConfirmEgg,
    MarkUnusable,
    MarkUsable,
    MergeEggs,
    Redo,
    RejectEgg,
    ReopenExam,
    ResolveQuestion,
    SetStage,
    SignExam,
    SplitEgg,
    Undo,
)
from pipeline.review.event_log import Event

__all__ = ["event_text", "utc_time_text"]


def utc_time_text(at: str) -> str:
    """14:03 on 2026-05-14, UTC."""
    return f"{at[11:16]} UTC, {at[:10]}" if at else ""


def event_text(event: Event) -> str:
    """What was said, without who and when."""
    answer = event.answer
    if isinstance(answer, SignExam):
        return "signed the exam"
    if isinstance(answer, ReopenExam):
        return f"opened the exam again: {answer.reason}"
    if isinstance(answer, Undo | Redo):
        verb = "took back" if isinstance(answer, Undo) else "gave again"
        return f"{verb} answer {answer.of}"
    if isinstance(answer, ResolveQuestion):
        return f"settled the question left by answer {answer.of}"
    if isinstance(answer, AddComment):
        return f"noted: {answer.text}"
    if isinstance(answer, MarkUnusable | MarkUsable):
        verb = "unusable" if isinstance(answer, MarkUnusable) else "usable after all"
        return f"{answer.clip}, frames {answer.first} to {answer.last}: {verb}"
    if isinstance(answer, AddEgg):
        return f"drew a missed egg, {answer.stage}, in {answer.clip}, frame {answer.frame}{_count(event)}"
    return f"{_about_eggs(event)}{_count(event)}"


def _about_eggs(event: Event) -> str:
    answer, before, after = event.answer, event.before.get("eggs", {}), event.after.get("eggs", {})
    numbers = sorted({*before, *after}, key=int)
    names = _listed(numbers)
    if isinstance(answer, ConfirmEgg):
        return f"{names}: confirmed"
    if isinstance(answer, RejectEgg):
        return f"{names}: not an egg"
    if isinstance(answer, SetStage):
        return f"{names}: {answer.stage}"
    if isinstance(answer, MergeEggs):
        return f"{names}: the same egg"
    if isinstance(answer, SplitEgg):
        return f"{names}: two eggs"
    raise TypeError(f"no words for {answer.kind}")


def _listed(numbers: list[str]) -> str:
    if len(numbers) < 2:
        return f"no. {numbers[0]}" if numbers else "nothing"
    return f"nos. {', '.join(numbers[:-1])} and {numbers[-1]}"


def _count(event: Event) -> str:
    """How the number of shelled eggs changed, where it did."""
    before, after = event.before.get("shelled"), event.after.get("shelled")
    if not before or not after or before[1] == after[1]:
        return ""
    return f" (shelled eggs {before[1]} \N{RIGHTWARDS ARROW} {after[1]})"
