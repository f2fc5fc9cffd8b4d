"""How an exam stands: the batch's result, all answers to it, and what follows from them."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.estimate.results import ExamFinding
from pipeline.people.event_log import Event, EventLog
from pipeline.review.batch_snapshot import BatchSnapshot
from pipeline.review.cases import ReviewCase
from pipeline.review.replay import ReviewState, replay
from pipeline.review.track_mapping import TrackMapping, identity_mapping, map_tracks

__all__ = ["ExamReview", "ExamReviews"]

CACHED_REVIEWS = 64  # exams held in memory


@dataclass(frozen=True)
class ExamReview:
    """events : all answers;  state : the eggs with these answers applied;  finding : the estimate from that state"""

    case: ReviewCase
    events: tuple[Event, ...]
    state: ReviewState
    finding: ExamFinding


class ExamReviews:
    """The reviews of all exams, computed when needed and cached. May be used from many threads.

    The same answers to the same result always give the same review, so a cached one is valid while both are unchanged.
    """

    def __init__(self, event_log: EventLog) -> None:
        self._event_log = event_log
        self._lock = threading.Lock()
        self._snapshot_ids: dict[tuple[str, str, str], int] = {}
        self._mappings: dict[tuple[int, str], TrackMapping] = {}  # by snapshot number and current fingerprint
        self._reviews: dict[tuple[str, str, str], ExamReview] = {}  # the least recently computed first

    def current(self, case: ReviewCase) -> ExamReview:
        """The review with all answers that are stored now."""
        cached = self._cached(case, self._event_log.head(case.key))
        return cached or self.remember(self.compute(case, self._event_log.events(case.key)))

    def after(self, case: ReviewCase, events: tuple[Event, ...]) -> ExamReview:
        """The review with exactly these events."""
        return self._cached(case, len(events)) or self.compute(case, events)

    def compute(self, case: ReviewCase, events: tuple[Event, ...]) -> ExamReview:
        state = self.replayed(case, events)
        return ExamReview(case, events, state, case.finding(state))

    def replayed(self, case: ReviewCase, events: tuple[Event, ...]) -> ReviewState:
        return replay(case.snapshot, events, self._mappings_of(case, events))

    def remember(self, review: ExamReview) -> ExamReview:
        key = (*review.case.key, review.case.fingerprint)
        with self._lock:
            self._reviews.pop(key, None)
            self._reviews[key] = review
            while len(self._reviews) > CACHED_REVIEWS:
                self._reviews.pop(next(iter(self._reviews)))
        return review

    def snapshot_id(self, case: ReviewCase) -> int:
        """The number of the stored snapshot of the case."""
        key = (*case.key, case.fingerprint)
        with self._lock:
            known = self._snapshot_ids.get(key)
        if known is None:
            known = self._event_log.save_snapshot(case.key, case.fingerprint, case.snapshot.dumps())
            with self._lock:
                self._snapshot_ids[key] = known
        return known

    def _cached(self, case: ReviewCase, head: int) -> ExamReview | None:
        with self._lock:
            known = self._reviews.get((*case.key, case.fingerprint))
        return known if known is not None and known.state.head == head else None

    def _mappings_of(self, case: ReviewCase, events: Sequence[Event]) -> dict[int, TrackMapping]:
        """From the snapshot of each event to the current tracks."""
        needed = {event.snapshot_id for event in events}
        with self._lock:
            mappings = {
                number: self._mappings[number, case.fingerprint]
                for number in needed
                if (number, case.fingerprint) in self._mappings
            }
        missing = needed - set(mappings)
        if missing:
            documents, current = self._event_log.snapshots(case.key), case.snapshot.dumps()
            for number in missing:
                document = documents[number]
                is_current = document == current
                mappings[number] = (
                    identity_mapping() if is_current else map_tracks(BatchSnapshot.loads(document), case.scans)
                )
            with self._lock:
                self._mappings |= {(number, case.fingerprint): mapping for number, mapping in mappings.items()}
        return mappings
