"""Answers in words: for the page's history, for conflicts between users, and for the signed sheet."""

from __future__ import annotations

from pipeline.formatting import FRAME, frames_text
from pipeline.language.catalogue import STORED
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, pgettext
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
        return gettext("signed the exam")
    if isinstance(answer, ReopenExam):
        return gettext("reopened the exam: {reason}", reason=answer.reason)
    if isinstance(answer, Undo):
        return gettext("undid answer {sequence}", sequence=answer.of)
    if isinstance(answer, Redo):
        return gettext("redid answer {sequence}", sequence=answer.of)
    if isinstance(answer, ResolveQuestion):
        return gettext("closed the question about answer {sequence}", sequence=answer.of)
    if isinstance(answer, AddComment):
        return gettext("commented: {text}", text=answer.text)
    if isinstance(answer, MarkUnusable | MarkUsable):
        frames = frames_text(answer.clip, answer.first, answer.last)
        if isinstance(answer, MarkUnusable):
            return gettext("{frames}: unusable", frames=frames)
        return gettext("{frames}: usable again", frames=frames)
    if isinstance(answer, AddEgg):
        added = gettext(
            "added a missed egg, {stage}, in {place}",
            stage=stored_text(answer.stage),
            place=pgettext(STORED, FRAME, clip=answer.clip, first=answer.frame),
        )
        return f"{added}{_count_change(event)}"
    return f"{_egg_answer_text(event)}{_count_change(event)}"


def _egg_answer_text(event: Event) -> str:
    answer, before, after = event.answer, event.before.get("eggs", {}), event.after.get("eggs", {})
    numbers = sorted({*before, *after}, key=int)
    names = _numbers_text(numbers)
    if isinstance(answer, ConfirmEgg):
        return gettext("{names}: confirmed", names=names)
    if isinstance(answer, RejectEgg):
        return gettext("{names}: not an egg", names=names)
    if isinstance(answer, LeaveUncertain):
        return gettext("{names}: cannot tell", names=names)
    if isinstance(answer, ReshapeEgg):
        place = pgettext(STORED, FRAME, clip=answer.clip, first=answer.frame)
        return gettext("{names}: new outline in {place}", names=names, place=place)
    if isinstance(answer, SetStage):
        return f"{names}: {stored_text(answer.stage)}"
    if isinstance(answer, MergeEggs):
        return gettext("{names}: the same egg", names=names)
    if isinstance(answer, SplitEgg):
        return gettext("{names}: two eggs", names=names)
    raise TypeError(f"no text for {answer.kind}")


def _numbers_text(numbers: list[str]) -> str:
    if not numbers:
        return gettext("no egg")
    if len(numbers) == 1:
        return gettext("no. {number}", number=numbers[0])
    return gettext("nos. {numbers} and {last}", numbers=", ".join(numbers[:-1]), last=numbers[-1])


def _count_change(event: Event) -> str:
    """How the count of shelled eggs changed, "" if it did not."""
    before, after = event.before.get("shelled"), event.after.get("shelled")
    if not before or not after or before[1] == after[1]:
        return ""
    change = gettext("(shelled eggs {before} → {after})", before=before[1], after=after[1])
    return f" {change}"
