"""The state of an exam's review: the answers, applied in order to the batch's result.

An answer holds until a later one about the same egg changes it, from any user. An answer that was undone has no effect.
An answer whose egg is not found becomes a question until a user closes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from models.stages import Stage
from pipeline.people.answers import (
    AddComment,
    AddEgg,
    ConfirmEgg,
    LeaveUncertain,
    MarkUnusable,
    MarkUsable,
    MergeEggs,
    RejectEgg,
    ReopenExam,
    ReshapeEgg,
    ResolveQuestion,
    SetStage,
    SignExam,
    SplitEgg,
    TrackSegment,
)
from pipeline.people.event_log import Event
from pipeline.review.batch_snapshot import BatchSnapshot
from pipeline.review.segment_parts import common_parts, remaining_parts
from pipeline.review.track_mapping import TrackMapping
from pipeline.review.undo import undone_sequences

__all__ = ["ReviewState", "ReviewedEgg", "Signature", "Verdict", "replay"]

Verdict = Literal["egg", "not-egg", "uncertain"]
Outline = tuple[float, float, float, float, float]
# The batch counts objects from 0.5. Below this they are gut and noise more often than not (judgement, no source).
MINIMUM_SHOWN_EXISTENCE = 0.2


@dataclass(frozen=True)
class ReviewedEgg:
    """One object: the batch's finding with the users' answers applied.

    number : from 1, without gaps for answers that were undone
    existence : the batch's probability that it is one real egg or follicle; 1 for a drawn one
    verdict : None without an answer; "uncertain" if a user cannot tell, so that the batch's result stands
    stage : set by a user, None for the batch's
    is_regrouped : whether its segments differ from those that the batch merged
    outlines : (5,) px by track, of drawn segments;  reshaped : by clip and frame, outlines in place of the tracks' own
    answered_by : the user who answered last, None without an answer
    """

    number: int
    segments: tuple[TrackSegment, ...]
    counted_by_batch: bool
    verdict: Verdict | None = None
    stage: Stage | None = None
    is_regrouped: bool = False
    outlines: Mapping[int, Outline] = field(default_factory=dict)
    reshaped: Mapping[tuple[str, int], Outline] = field(default_factory=dict)
    answered_by: str | None = None
    existence: float = 1.0

    @property
    def is_shown(self) -> bool:
        """Whether the page asks about it: not if it is very unlikely."""
        return self.counted_by_batch or self.verdict is not None or self.existence >= MINIMUM_SHOWN_EXISTENCE

    @property
    def is_settled(self) -> bool:
        """Whether a user said that it is an egg or follicle, or that it is none."""
        return self.verdict in ("egg", "not-egg")


@dataclass(frozen=True)
class Signature:
    """at : UTC, ISO 8601;  sequence : of the event that signed;  logged_in : as in `SignExam`"""

    name: str
    role: str
    logged_in: bool | None
    at: str
    sequence: int


@dataclass(frozen=True)
class ReviewState:
    """eggs : by number;  unusable : by clip, ranges of frames with both ends included

    comments, questions : their events;  signature : None while the exam is open
    head : the sequence of the last event, 0 without any
    """

    eggs: tuple[ReviewedEgg, ...]
    unusable: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    comments: tuple[Event, ...] = ()
    questions: tuple[Event, ...] = ()
    signature: Signature | None = None
    head: int = 0

    @property
    def has_corrections(self) -> bool:
        """Whether any answer can change the counts."""
        return bool(self.unusable) or any(egg.is_settled or egg.is_regrouped for egg in self.eggs)

    @property
    def unanswered_candidates(self) -> tuple[ReviewedEgg, ...]:
        """Those that the batch did not count and nobody has looked at. No exam is signed past them."""
        return tuple(egg for egg in self.eggs if egg.is_shown and egg.verdict is None and not egg.counted_by_batch)


def replay(snapshot: BatchSnapshot, events: Sequence[Event], track_mapping: Mapping[int, TrackMapping]) -> ReviewState:
    """The state after these events. track_mapping : by snapshot number, from that snapshot to the current tracks"""
    run = _Replay(
        {e.number: ReviewedEgg(e.number, e.segments, e.counted_by_batch, existence=e.existence) for e in snapshot.eggs}
    )
    undone = undone_sequences(events)
    for event in events:
        run.apply(event, track_mapping[event.snapshot_id], is_undone=event.sequence in undone)
    return ReviewState(
        eggs=tuple(run.all_eggs()),
        unusable={clip: ranges for clip, ranges in sorted(run.unusable.items()) if ranges},
        comments=tuple(run.comments),
        questions=tuple(event for event in run.questions if event.sequence not in run.resolved),
        signature=run.signature,
        head=events[-1].sequence if events else 0,
    )


def _owner(eggs: Sequence[ReviewedEgg], segments: Sequence[TrackSegment]) -> ReviewedEgg | None:
    """The egg that has most frames of these segments, the first of equals; None if no egg has any."""
    shares = [sum(own.shared_frame_count(segment) for own in egg.segments for segment in segments) for egg in eggs]
    best = max(range(len(eggs)), key=lambda row: (shares[row], -row), default=None)
    return eggs[best] if best is not None and shares[best] > 0 else None


class _Replay:
    """The eggs by number, and everything else that the events change, while they are applied one by one."""

    def __init__(self, eggs: dict[int, ReviewedEgg]) -> None:
        self.eggs = eggs
        self.unusable: dict[str, tuple[tuple[int, int], ...]] = {}
        self.comments: list[Event] = []
        self.questions: list[Event] = []
        self.resolved: set[int] = set()
        self.signature: Signature | None = None
        self._last_number = max(eggs, default=0)
        self._found_since: dict[int, TrackSegment] = {}  # by drawn track: what another network found there since

    def all_eggs(self) -> list[ReviewedEgg]:
        return [self.eggs[number] for number in sorted(self.eggs)]

    def apply(self, event: Event, track_mapping: TrackMapping, *, is_undone: bool) -> None:
        answer = event.answer
        if is_undone:
            return
        if isinstance(answer, AddEgg | SplitEgg):
            self._last_number += 1
        if isinstance(answer, SignExam):
            self.signature = Signature(answer.name, answer.role, answer.logged_in, event.at, event.sequence)
        elif isinstance(answer, ReopenExam):
            self.signature = None
        elif isinstance(answer, AddComment):
            self.comments.append(event)
        elif isinstance(answer, ResolveQuestion):
            self.resolved.add(answer.of)
        elif isinstance(answer, MarkUnusable | MarkUsable):
            file = track_mapping.current_file(answer.clip)
            if file is None:
                self.questions.append(event)
            else:
                self._mark(file, answer.first, answer.last, isinstance(answer, MarkUnusable))
        elif isinstance(answer, AddEgg):
            self._add(event, answer, track_mapping)
        elif isinstance(answer, SplitEgg):
            self._split(event, answer, track_mapping)
        elif isinstance(answer, MergeEggs):
            self._merge(event, answer, track_mapping)
        elif isinstance(answer, ReshapeEgg):
            self._reshape(event, answer, track_mapping)
        elif isinstance(answer, ConfirmEgg | RejectEgg | LeaveUncertain | SetStage):
            self._set_verdict(event, answer, track_mapping)

    def _set_verdict(
        self, event: Event, answer: ConfirmEgg | RejectEgg | LeaveUncertain | SetStage, track_mapping: TrackMapping
    ) -> None:
        verdict: Verdict = (
            "not-egg" if isinstance(answer, RejectEgg) else "uncertain" if isinstance(answer, LeaveUncertain) else "egg"
        )
        found = [self._find(segments, track_mapping) for segments in answer.eggs]
        for egg in found:
            if egg is not None:
                stage = answer.stage if isinstance(answer, SetStage) else egg.stage
                self._put(replace(egg, verdict=verdict, stage=stage, answered_by=event.person))
        if None in found:
            self.questions.append(event)

    def _merge(self, event: Event, answer: MergeEggs, track_mapping: TrackMapping) -> None:
        one, other = (self._find(segments, track_mapping) for segments in answer.eggs)
        if one is None or other is None:
            self.questions.append(event)
            return
        first, second = sorted((one, other), key=lambda egg: egg.number)
        merged = replace(first, verdict="egg", stage=one.stage or other.stage, answered_by=event.person)
        if first.number != second.number:
            merged = replace(
                merged,
                segments=(*first.segments, *second.segments),
                outlines={**first.outlines, **second.outlines},
                reshaped={**first.reshaped, **second.reshaped},
                counted_by_batch=first.counted_by_batch or second.counted_by_batch,
                is_regrouped=True,
            )
            del self.eggs[second.number]
        self._put(merged)

    def _split(self, event: Event, answer: SplitEgg, track_mapping: TrackMapping) -> None:
        number = self._last_number
        apart = self._current(answer.apart, track_mapping)
        egg = _owner(self.all_eggs(), apart)
        rest = _owner(self.all_eggs(), remaining_parts(self._current(answer.egg, track_mapping), apart))
        if egg is None or rest is None:
            self.questions.append(event)
            return
        if egg.number == rest.number:
            kept, taken = remaining_parts(egg.segments, apart), common_parts(egg.segments, apart)
            rest = replace(egg, segments=kept, is_regrouped=True)
            egg = replace(egg, number=number, segments=taken, is_regrouped=True)
        # If another network has separated them since, they only need to be confirmed.
        self._put(replace(rest, verdict="egg", answered_by=event.person))
        self._put(replace(egg, verdict="egg", answered_by=event.person))

    def _add(self, event: Event, answer: AddEgg, track_mapping: TrackMapping) -> None:
        number, track = self._last_number, -event.sequence
        file = track_mapping.current_file(answer.clip)
        if file is None:
            self.questions.append(event)
            return
        found = track_mapping.find_track(file, answer.frame, answer.ellipse)
        egg = None if found is None else _owner(self.all_eggs(), (found,))
        if found is not None and egg is not None:
            self._found_since[track] = found
            self._put(replace(egg, verdict="egg", stage=answer.stage, answered_by=event.person))
            return
        segment = TrackSegment(clip=file, track=track, first=answer.frame, last=answer.frame)
        outlines = {track: answer.ellipse}
        drawn = ReviewedEgg(number, (segment,), False, "egg", answer.stage, True, outlines, answered_by=event.person)
        self._put(drawn)

    def _reshape(self, event: Event, answer: ReshapeEgg, track_mapping: TrackMapping) -> None:
        egg, file = self._find(answer.egg, track_mapping), track_mapping.current_file(answer.clip)
        if egg is None or file is None:
            self.questions.append(event)
            return
        reshaped = {**egg.reshaped, (file, answer.frame): answer.ellipse}
        self._put(replace(egg, verdict="egg", reshaped=reshaped, answered_by=event.person))

    def _mark(self, file: str, first: int, last: int, unusable: bool) -> None:
        kept = [
            part
            for begin, end in self.unusable.get(file, ())
            for part in ((begin, min(end, first - 1)), (max(begin, last + 1), end))
            if part[0] <= part[1]
        ]
        self.unusable[file] = tuple(sorted({*kept, (first, last)} if unusable else set(kept)))

    def _current(self, segments: Sequence[TrackSegment], track_mapping: TrackMapping) -> tuple[TrackSegment, ...]:
        return tuple(self._found_since.get(segment.track, segment) for segment in track_mapping.map_segments(segments))

    def _find(self, segments: Sequence[TrackSegment], track_mapping: TrackMapping) -> ReviewedEgg | None:
        return _owner(self.all_eggs(), self._current(segments, track_mapping))

    def _put(self, egg: ReviewedEgg) -> None:
        self.eggs[egg.number] = egg
