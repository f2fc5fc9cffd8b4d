"""Where answers come in: one at a time for each exam, each with what it changed.

An answer says up to which sequence its giver had seen the exam. What others said since then is no obstacle, unless it
is about the same egg: then nothing is kept, and the giver is told what was said and decides. A signed exam takes no
answer until it is opened again.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from models.errors import ClutchlightError
from pipeline.estimate.results import Count, ExamFinding
from pipeline.review.answers import (
    AddEgg,
    Answer,
    MarkUnusable,
    MarkUsable,
    Redo,
    ReopenExam,
    ResolveQuestion,
    SignExam,
    Undo,
)
from pipeline.review.batch_snapshot import BatchSnapshot
from pipeline.review.cases import ReviewCase
from pipeline.review.event_log import Event, EventContent, EventLog
from pipeline.review.replay import ReviewState, replay, undo_redo_targets
from pipeline.review.track_mapping import TrackMapping, identity_mapping, map_tracks
from pipeline.review.users import User

__all__ = ["AnswerRejected", "AnswerService", "EditConflict", "ExamReview"]


CACHED_REVIEWS = 64  # exams whose standing is held in memory


class AnswerRejected(ClutchlightError):  # noqa: N818 - an answer that cannot be taken, in words for its giver
    """An answer that is not kept; the text says why."""


class EditConflict(AnswerRejected):
    """Others spoke of the same egg meanwhile. events : what they said."""

    def __init__(self, events: Sequence[Event]) -> None:
        names = " and ".join(sorted({event.person for event in events}))
        super().__init__(f"{names} has meanwhile answered about the same. Look again, then keep it or answer anew.")
        self.events = tuple(events)


@dataclass(frozen=True)
class ExamReview:
    """An exam as it stands. events : all answers;  finding : what follows from them"""

    case: ReviewCase
    events: tuple[Event, ...]
    state: ReviewState
    finding: ExamFinding


class AnswerService:
    """Takes answers into the event log; may be used from many threads."""

    def __init__(self, event_log: EventLog) -> None:
        self.event_log = event_log
        self._lock = threading.Lock()
        self._censuses: dict[tuple[str, str, str], int] = {}
        self._carryings: dict[tuple[int, str], TrackMapping] = {}
        self._stands: dict[tuple[str, str, str], ExamReview] = {}

    def current_review(self, case: ReviewCase) -> ExamReview:
        latest = self._latest(case, self.event_log.head(case.key))
        return latest or self._remember(self._reviewed(case, self.event_log.events(case.key)))

    def submit(
        self,
        case: ReviewCase,
        user: User,
        request_id: str,
        base_sequence: int,
        answer: Answer,
        *,
        override_conflict: bool = False,
    ) -> tuple[Event, ExamReview]:
        """Keep an answer and say how the exam stands with it.

        request_id : the giver's own name for this answer; given twice, it is kept once
        base_sequence : the sequence up to which the giver knows the exam;  override_conflict : known what others said, it stands

        Raises AnswerRejected, or EditConflict where others spoke of the same meanwhile and it is not told ``override_conflict``.
        """
        census = self._census(case)
        outcome: list[ExamReview] = []

        def decide(events: tuple[Event, ...]) -> EventContent:
            before = self._latest(case, len(events)) or self._reviewed(case, events)
            _check(case, before.state, answer, user)
            settled = _resolved(answer, events, user)
            made = EventContent(user.name, request_id, census, settled, {}, {})
            after = self._reviewed(case, (*events, _draft(made, len(events) + 1)))
            changed = _changes(before, after)
            if settled.kind in EGG_ANSWER_KINDS and not changed:
                raise AnswerRejected("This says nothing new, or the egg it speaks of is not there. Nothing was kept.")
            if not override_conflict:
                _keep_order(events, base_sequence, user, settled, {*changed})
            outcome.append(after)
            return EventContent(
                user.name, request_id, census, settled, _document(before, changed), _document(after, changed)
            )

        event = self.event_log.append(case.key, request_id, decide)
        if not outcome:  # it was kept before
            return event, self.current_review(case)
        (after,) = outcome
        # The signature and the questions hold the event itself, which had no time before it was kept.
        state = replay(case.snapshot, (*after.events[:-1], event), self._carried(case, after.events))
        return event, self._remember(ExamReview(case, (*after.events[:-1], event), state, after.finding))

    def _latest(self, case: ReviewCase, head: int) -> ExamReview | None:
        """How the exam stood last, if that is up to date: the same answers over the same result give the same."""
        with self._lock:
            known = self._stands.get((*case.key, case.fingerprint))
        return known if known is not None and known.state.head == head else None

    def _remember(self, reviewed: ExamReview) -> ExamReview:
        place = (*reviewed.case.key, reviewed.case.fingerprint)
        with self._lock:
            self._stands.pop(place, None)
            self._stands[place] = reviewed
            while len(self._stands) > CACHED_REVIEWS:
                self._stands.pop(next(iter(self._stands)))
        return reviewed

    def _reviewed(self, case: ReviewCase, events: tuple[Event, ...]) -> ExamReview:
        state = replay(case.snapshot, events, self._carried(case, events))
        return ExamReview(case, events, state, case.finding(state))

    def _census(self, case: ReviewCase) -> int:
        place = (*case.key, case.fingerprint)
        with self._lock:
            known = self._censuses.get(place)
        if known is None:
            known = self.event_log.save_snapshot(case.key, case.fingerprint, case.snapshot.dumps())
            with self._lock:
                self._censuses[place] = known
        return known

    def _carried(self, case: ReviewCase, events: Sequence[Event]) -> dict[int, TrackMapping]:
        needed = {event.snapshot_id for event in events}
        with self._lock:
            found = {
                n: self._carryings[n, case.fingerprint] for n in needed if (n, case.fingerprint) in self._carryings
            }
        if needed - set(found):
            documents = self.event_log.snapshots(case.key)
            own = case.snapshot.dumps()
            for number in needed - set(found):
                text = documents[number]
                found[number] = identity_mapping() if text == own else map_tracks(BatchSnapshot.loads(text), case.scans)
            with self._lock:
                self._carryings |= {
                    (number, case.fingerprint): track_mapping for number, track_mapping in found.items()
                }
        return found


EGG_ANSWER_KINDS = ("egg", "not-egg", "same", "two", "stage")


def _resolved(answer: Answer, events: Sequence[Event], user: User) -> Answer:
    """Undo and redo with the sequence they mean."""
    if not isinstance(answer, Undo | Redo):
        return answer
    meant = undo_redo_targets(events, user.name)[0 if isinstance(answer, Undo) else 1]
    if meant is None or answer.of not in (None, meant):
        raise AnswerRejected(f"There is nothing of yours to {answer.kind}.")
    return answer.model_copy(update={"of": meant})


def _check(case: ReviewCase, state: ReviewState, answer: Answer, user: User) -> None:
    if isinstance(answer, ReopenExam):
        if state.signature is None:
            raise AnswerRejected("This exam is open.")
        if not user.can("sign"):
            raise AnswerRejected("Only those who may sign can open a signed exam again.")
        return
    if state.signature is not None:
        raise AnswerRejected(f"{state.signature.name} has signed this exam. Open it again first.")
    if isinstance(answer, SignExam) and not user.can("sign"):
        raise AnswerRejected("You may review, but not sign.")
    if isinstance(answer, ResolveQuestion) and answer.of not in {event.sequence for event in state.questions}:
        raise AnswerRejected("There is no such question.")
    if isinstance(answer, AddEgg | MarkUnusable | MarkUsable):
        scan = next((s for s in case.scans if s.file == answer.clip and s.status == "done"), None)
        if scan is None:
            raise AnswerRejected(f"{answer.clip} is no clip of this exam that could be used.")
        last = answer.frame if isinstance(answer, AddEgg) else answer.last
        if last >= scan.frames:
            raise AnswerRejected(f"{answer.clip} ends at frame {scan.frames - 1}.")
        if isinstance(answer, AddEgg) and not (
            0 <= answer.ellipse[0] < scan.width and 0 <= answer.ellipse[1] < scan.height
        ):
            raise AnswerRejected("The outline's centre lies outside the picture.")


def _keep_order(events: Sequence[Event], base_sequence: int, user: User, answer: Answer, eggs: set[str]) -> None:
    since = [event for event in events if event.sequence > base_sequence and event.person != user.name]
    if isinstance(answer, SignExam):
        # Whoever signs has seen everything that is signed.
        met = since
    else:
        met = [event for event in since if eggs & {*event.before.get("eggs", {}), *event.after.get("eggs", {})}]
    if met:
        raise EditConflict(met)


def _draft(entry: EventContent, sequence: int) -> Event:
    return Event(**vars(replace(entry, before={}, after={})), sequence=sequence, at="")


def _changes(before: ExamReview, after: ExamReview) -> list[str]:
    """The numbers of the eggs that the last answer changed."""
    old, new = ({str(egg.number): egg for egg in one.state.eggs} for one in (before, after))
    return sorted((number for number in {*old, *new} if old.get(number) != new.get(number)), key=int)


def _document(reviewed: ExamReview, numbers: Sequence[str]) -> dict[str, Any]:
    """The named eggs and the figures, for the event log."""
    eggs = {
        str(egg.number): {
            "verdict": egg.verdict,
            "stage": egg.stage,
            "pieces": [segment.model_dump() for segment in egg.segments],
        }
        for egg in reviewed.state.eggs
        if str(egg.number) in numbers
    }
    finding = reviewed.finding
    return {
        "eggs": eggs,
        "shelled": _count(finding.shelled),
        "follicles": _count(finding.follicles),
        "stage": finding.stage,
    }


def _count(count: Count) -> list[int]:
    return [count.at_least, count.estimate, *count.interval90]
