"""Accepting answers: one at a time for each exam, each stored with what it changed.

An answer names the sequence up to which its sender has seen the exam. Later answers of other users are no obstacle,
unless they concern the same egg: then nothing is stored, and the sender is shown those answers and decides. A signed
exam accepts no answer until it is reopened.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from models.errors import ClutchlightError
from pipeline.estimate.results import Count
from pipeline.people.answers import (
    Answer,
    DrawnOutline,
    EggAnswer,
    MarkUnusable,
    MarkUsable,
    Redo,
    ReopenExam,
    RequestedAnswer,
    ReshapeEgg,
    ResolveQuestion,
    Sign,
    SignExam,
    SplitEgg,
    Undo,
)
from pipeline.people.event_log import Event, EventContent, EventLog
from pipeline.people.users import User
from pipeline.review.cases import ReviewCase
from pipeline.review.exam_review import ExamReview, ExamReviews
from pipeline.review.replay import ReviewState
from pipeline.review.undo import undo_redo_targets

__all__ = ["AnswerRejected", "AnswerService", "EditConflict"]


class AnswerRejected(ClutchlightError):  # noqa: N818 - a normal outcome, not a fault of the program
    """The answer is not stored. The text says why, for its sender."""


class EditConflict(AnswerRejected):
    """Others have answered about the same egg since. events : their answers"""

    def __init__(self, events: Sequence[Event]) -> None:
        names = " and ".join(sorted({event.person for event in events}))
        super().__init__(f"{names} answered about the same egg in the meantime. Keep theirs, or send yours again.")
        self.events = tuple(events)


class AnswerService:
    """Adds answers to the event log. May be used from many threads."""

    def __init__(self, event_log: EventLog) -> None:
        self._event_log = event_log
        self._reviews = ExamReviews(event_log)

    def current_review(self, case: ReviewCase) -> ExamReview:
        return self._reviews.current(case)

    def submit(
        self,
        case: ReviewCase,
        user: User,
        request_id: str,
        base_sequence: int,
        answer: RequestedAnswer,
        *,
        override_conflict: bool = False,
    ) -> tuple[Event, ExamReview]:
        """Store an answer. Returns its event and the review that includes it.

        request_id : chosen by the sender; an answer sent twice under one id is stored once
        base_sequence : the sequence up to which the sender has seen the exam
        override_conflict : the sender knows the others' answers and insists

        Raises AnswerRejected; EditConflict if others have answered about the same egg since ``base_sequence`` and
        ``override_conflict`` is not set.
        """
        snapshot_id = self._reviews.snapshot_id(case)
        with self._event_log.transaction(case.key) as transaction:
            stored = transaction.find(request_id)
            if stored is None:
                before = self._reviews.after(case, transaction.events)
                _check(case, before.state, answer, user)
                resolved = _resolve(answer, before.events, user)
                draft = EventContent(user.name, request_id, snapshot_id, resolved, {}, {})
                drafted = Event(**vars(draft), sequence=len(before.events) + 1, at="")
                after = self._reviews.compute(case, (*before.events, drafted))
                changed = _changed_eggs(before, after)
                if isinstance(resolved, EggAnswer | SplitEgg | ReshapeEgg) and not changed:
                    raise AnswerRejected("No change, or egg not found. Nothing was stored.")
                if not override_conflict:
                    _check_conflict(before.events, base_sequence, user, resolved, set(changed))
                outcome = _document(after, changed)
                if isinstance(resolved, SignExam):
                    outcome["signed_eggs"] = _signed_eggs(after)
                event = transaction.append(replace(draft, before=_document(before, changed), after=outcome))
        if stored is not None:
            return stored, self.current_review(case)
        # The signature and the questions hold the event itself, and the draft had no time.
        events = (*before.events, event)
        state = self._reviews.replayed(case, events)
        return event, self._reviews.remember(ExamReview(case, events, state, after.finding))


def _resolve(answer: RequestedAnswer, events: Sequence[Event], user: User) -> Answer:
    """The answer as it is stored: a signature with name and role of the account, undo and redo with what they undo."""
    if isinstance(answer, Sign):
        return SignExam(name=user.name, role=user.role, logged_in=user.logged_in)
    if not isinstance(answer, Undo | Redo):
        return answer
    undo, redo = undo_redo_targets(events, user.name)
    target = undo if isinstance(answer, Undo) else redo
    if target is None or answer.of not in (None, target):
        raise AnswerRejected(f"You have nothing to {answer.kind}.")
    return answer.model_copy(update={"of": target})


def _check(case: ReviewCase, state: ReviewState, answer: RequestedAnswer, user: User) -> None:
    """Raises AnswerRejected if the exam's state, the user's permission or the clip does not allow the answer."""
    if isinstance(answer, ReopenExam):
        if state.signature is None:
            raise AnswerRejected("This exam is not signed.")
        if not user.can("sign"):
            raise AnswerRejected("Only users with permission to sign can reopen a signed exam.")
        return
    if state.signature is not None:
        raise AnswerRejected(f"{state.signature.name} has signed this exam. Reopen it first.")
    if isinstance(answer, Sign) and not user.can("sign"):
        raise AnswerRejected("You have permission to review, but not to sign.")
    if isinstance(answer, Sign) and state.unanswered_candidates:
        raise AnswerRejected(_unanswered_text([egg.number for egg in state.unanswered_candidates]))
    if isinstance(answer, ResolveQuestion) and answer.of not in {event.sequence for event in state.questions}:
        raise AnswerRejected("There is no such question.")
    if isinstance(answer, DrawnOutline | MarkUnusable | MarkUsable):
        scan = next((s for s in case.scans if s.file == answer.clip and s.status == "done"), None)
        if scan is None:
            raise AnswerRejected(f"{answer.clip} is not a usable clip of this exam.")
        last = answer.frame if isinstance(answer, DrawnOutline) else answer.last
        if last >= scan.frames:
            raise AnswerRejected(f"{answer.clip} ends at frame {scan.frames - 1}.")
        if isinstance(answer, DrawnOutline) and not (
            0 <= answer.ellipse[0] < scan.width and 0 <= answer.ellipse[1] < scan.height
        ):
            raise AnswerRejected("The centre of the outline is outside the picture.")


def _unanswered_text(numbers: Sequence[int]) -> str:
    which = f"Number {numbers[0]} is" if len(numbers) == 1 else f"Numbers {', '.join(map(str, numbers))} are"
    return f"{which} uncertain and not counted. Before you sign, say what you see there, or that you cannot tell."


def _check_conflict(
    events: Sequence[Event], base_sequence: int, user: User, answer: Answer, changed_eggs: set[str]
) -> None:
    """Raises EditConflict if others have answered about the changed eggs since ``base_sequence``."""
    unseen = [event for event in events if event.sequence > base_sequence and event.person != user.name]
    if isinstance(answer, SignExam):
        conflicting = unseen  # a signature covers every answer, so all must have been seen
    else:
        conflicting = [
            event for event in unseen if changed_eggs & {*event.before.get("eggs", {}), *event.after.get("eggs", {})}
        ]
    if conflicting:
        raise EditConflict(conflicting)


def _changed_eggs(before: ExamReview, after: ExamReview) -> list[str]:
    """The numbers of the eggs that the last answer changed."""
    old, new = ({str(egg.number): egg for egg in review.state.eggs} for review in (before, after))
    return sorted((number for number in {*old, *new} if old.get(number) != new.get(number)), key=int)


def _document(review: ExamReview, numbers: Sequence[str]) -> dict[str, Any]:
    """The eggs of these numbers and the counts, as stored in the event log."""
    eggs = {
        str(egg.number): {
            "verdict": egg.verdict,
            "stage": egg.stage,
            "pieces": [segment.model_dump() for segment in egg.segments],
        }
        for egg in review.state.eggs
        if str(egg.number) in numbers
    }
    finding = review.finding
    return {
        "eggs": eggs,
        "shelled": _count(finding.shelled),
        "follicles": _count(finding.follicles),
        "stage": finding.stage,
    }


def _signed_eggs(review: ExamReview) -> list[list[Any]]:
    """Every object that the page asks about, as `pipeline.people.signatures.SignedEgg` reads it."""
    stages = {egg.identity: egg.stage for egg in review.finding.eggs}
    seen = {egg.number: egg.stage for egg in review.case.snapshot.eggs}
    return [
        [egg.number, egg.verdict, stages.get(egg.number) or egg.stage or seen.get(egg.number, ""), egg.number in stages]
        for egg in review.state.eggs
        if egg.is_shown
    ]


def _count(count: Count) -> list[int]:
    return [count.at_least, count.estimate, *count.interval90]
