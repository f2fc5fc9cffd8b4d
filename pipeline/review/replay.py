"""The state of an exam's review: the answers replayed, in their order, over what the batch found.

An answer holds until a later one about the same egg says otherwise, whoever gives it. An answer that was undone is as
if it had not been given, and one whose egg is not found becomes a question until a person settles it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from pipeline.estimate.results import Stage
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
    TrackSegment,
    Undo,
)
from pipeline.review.batch_snapshot import BatchSnapshot
from pipeline.review.event_log import Event
from pipeline.review.track_mapping import TrackMapping

__all__ = ["ReviewState", "ReviewedEgg", "Signature", "replay", "undo_redo_targets"]

Verdict = Literal["egg", "not-egg"]
Outline = tuple[float, float, float, float, float]
SHOWN_EXISTENCE = 0.2  # listed are those from 0.5; below this they are gut and noise more often than not (judgement)


@dataclass(frozen=True)
class ReviewedEgg:
    """One object, as the batch found it and as people see it.

    number : stays with it through the whole review;  counted_by_batch : whether the batch counted it
    existence : probability that it is real, by the batch alone; 1 of what a person drew
    verdict : None while nobody has said anything;  stage : a person's, None where the batch's stands
    is_regrouped : whether its segments are others than those the batch put together
    outlines : by track, of its segments that a person drew;  answered_by : who spoke last of it
    """

    number: int
    segments: tuple[TrackSegment, ...]
    counted_by_batch: bool
    verdict: Verdict | None = None
    stage: Stage | None = None
    is_regrouped: bool = False
    outlines: Mapping[int, Outline] = field(default_factory=dict)
    answered_by: str | None = None
    existence: float = 1.0

    @property
    def is_shown(self) -> bool:
        """Whether a person is asked about it; of what hardly anybody would take for an egg nobody is."""
        return self.counted_by_batch or self.verdict is not None or self.existence >= SHOWN_EXISTENCE


@dataclass(frozen=True)
class Signature:
    name: str
    role: str
    at: str
    sequence: int


@dataclass(frozen=True)
class ReviewState:
    """eggs : by number;  unusable : by clip, stretches of frames with both ends included

    comments, questions : the events that hold them;  signature : None while open
    """

    eggs: tuple[ReviewedEgg, ...]
    unusable: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    comments: tuple[Event, ...] = ()
    questions: tuple[Event, ...] = ()
    signature: Signature | None = None
    head: int = 0

    @property
    def has_corrections(self) -> bool:
        """Whether anything that bears on the figures has been said."""
        return bool(self.unusable) or any(egg.verdict for egg in self.eggs)

    def egg(self, segments: Sequence[TrackSegment]) -> ReviewedEgg | None:
        """The egg that has most frames of these segments, None if none has any."""
        return _holder(self.eggs, segments)


def replay(snapshot: BatchSnapshot, events: Sequence[Event], track_mapping: Mapping[int, TrackMapping]) -> ReviewState:
    """The state after these events. track_mapping : by the number of the census that an event was given over."""
    table = _Table(
        {e.number: ReviewedEgg(e.number, e.segments, e.counted_by_batch, existence=e.existence) for e in snapshot.eggs}
    )
    taken_back = _taken_back(events)
    for event in events:
        table.take(event, track_mapping[event.snapshot_id], is_undone=event.sequence in taken_back)
    return ReviewState(
        eggs=tuple(table.eggs[number] for number in sorted(table.eggs)),
        unusable={clip: stretches for clip, stretches in sorted(table.unusable.items()) if stretches},
        comments=tuple(table.comments),
        questions=tuple(event for event in table.questions if event.sequence not in table.settled),
        signature=table.signature,
        head=events[-1].sequence if events else 0,
    )


def undo_redo_targets(events: Sequence[Event], person: str) -> tuple[int | None, int | None]:
    """The sequences of the person's answer that undo takes back, and of the one that redo gives again."""
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


def _taken_back(events: Sequence[Event]) -> set[int]:
    out: set[int] = set()
    for event in events:
        if isinstance(event.answer, Undo) and event.answer.of is not None:
            out.add(event.answer.of)
        elif isinstance(event.answer, Redo) and event.answer.of is not None:
            out.discard(event.answer.of)
    return out


def _holder(eggs: Sequence[ReviewedEgg], segments: Sequence[TrackSegment]) -> ReviewedEgg | None:
    shares = [sum(own.shared_frame_count(segment) for own in egg.segments for segment in segments) for egg in eggs]
    best = max(range(len(eggs)), key=lambda row: (shares[row], -row), default=None)
    return eggs[best] if best is not None and shares[best] > 0 else None


class _Table:
    """The eggs on the table while the answers are replayed."""

    def __init__(self, eggs: dict[int, ReviewedEgg]) -> None:
        self.eggs = eggs
        self.unusable: dict[str, tuple[tuple[int, int], ...]] = {}
        self.comments: list[Event] = []
        self.questions: list[Event] = []
        self.settled: set[int] = set()
        self.signature: Signature | None = None
        self._numbers = max(eggs, default=0)
        self._instead: dict[int, TrackSegment] = {}  # by drawn track: what another network found there since

    def take(self, event: Event, track_mapping: TrackMapping, *, is_undone: bool) -> None:
        answer = event.answer
        if isinstance(answer, AddEgg | SplitEgg):
            self._numbers += 1  # also where it was undone, so that later numbers stay
        if is_undone:
            return
        if isinstance(answer, SignExam):
            self.signature = Signature(answer.name, answer.role, event.at, event.sequence)
        elif isinstance(answer, ReopenExam):
            self.signature = None
        elif isinstance(answer, AddComment):
            self.comments.append(event)
        elif isinstance(answer, ResolveQuestion):
            self.settled.add(answer.of)
        elif isinstance(answer, MarkUnusable | MarkUsable):
            file = track_mapping.current_file(answer.clip)
            if file is None:
                self.questions.append(event)
            else:
                self._mark(file, answer.first, answer.last, isinstance(answer, MarkUnusable))
        elif isinstance(answer, AddEgg):
            self._draw(event, answer, track_mapping)
        elif isinstance(answer, SplitEgg):
            self._part(event, answer, track_mapping)
        elif isinstance(answer, MergeEggs):
            self._join(event, answer, track_mapping)
        elif isinstance(answer, ConfirmEgg | RejectEgg | SetStage):
            self._judge(event, answer, track_mapping)

    def _judge(self, event: Event, answer: ConfirmEgg | RejectEgg | SetStage, track_mapping: TrackMapping) -> None:
        found = [self._find(segments, track_mapping) for segments in answer.eggs]
        for egg in found:
            if egg is not None:
                verdict: Verdict = "not-egg" if isinstance(answer, RejectEgg) else "egg"
                stage = answer.stage if isinstance(answer, SetStage) else egg.stage
                self._put(replace(egg, verdict=verdict, stage=stage, answered_by=event.person))
        if None in found:
            self.questions.append(event)

    def _join(self, event: Event, answer: MergeEggs, track_mapping: TrackMapping) -> None:
        one, other = (self._find(segments, track_mapping) for segments in answer.eggs)
        if one is None or other is None:
            self.questions.append(event)
            return
        first, second = sorted((one, other), key=lambda egg: egg.number)
        joined = replace(first, verdict="egg", stage=one.stage or other.stage, answered_by=event.person)
        if first.number != second.number:
            segments = (*first.segments, *second.segments)
            outlines = {**first.outlines, **second.outlines}
            listed = first.counted_by_batch or second.counted_by_batch
            joined = replace(joined, segments=segments, outlines=outlines, counted_by_batch=listed, is_regrouped=True)
            del self.eggs[second.number]
        self._put(joined)

    def _part(self, event: Event, answer: SplitEgg, track_mapping: TrackMapping) -> None:
        number = self._numbers
        apart = self._now(answer.apart, track_mapping)
        egg = _holder(self._all(), apart)
        rest = _holder(self._all(), _without(self._now(answer.egg, track_mapping), apart))
        if egg is None or rest is None:
            self.questions.append(event)
            return
        if egg.number == rest.number:
            kept, taken = _without(egg.segments, apart), _within(egg.segments, apart)
            rest = replace(egg, segments=kept, is_regrouped=True)
            egg = replace(egg, number=number, segments=taken, is_regrouped=True)
        # Where another network has told them apart already there is nothing left to do but to confirm them.
        self._put(replace(rest, verdict="egg", answered_by=event.person))
        self._put(replace(egg, verdict="egg", answered_by=event.person))

    def _draw(self, event: Event, answer: AddEgg, track_mapping: TrackMapping) -> None:
        number, track = self._numbers, -event.sequence
        file = track_mapping.current_file(answer.clip)
        if file is None:
            self.questions.append(event)
            return
        found = track_mapping.find_track(file, answer.frame, answer.ellipse)
        egg = None if found is None else _holder(self._all(), (found,))
        if found is not None and egg is not None:
            self._instead[track] = found
            self._put(replace(egg, verdict="egg", stage=answer.stage, answered_by=event.person))
            return
        segment = TrackSegment(clip=file, track=track, first=answer.frame, last=answer.frame)
        outlines = {track: answer.ellipse}
        self._put(ReviewedEgg(number, (segment,), False, "egg", answer.stage, True, outlines, event.person))

    def _mark(self, file: str, first: int, last: int, unusable: bool) -> None:
        kept = [
            part
            for begin, end in self.unusable.get(file, ())
            for part in ((begin, min(end, first - 1)), (max(begin, last + 1), end))
            if part[0] <= part[1]
        ]
        self.unusable[file] = tuple(sorted({*kept, (first, last)} if unusable else set(kept)))

    def _now(self, segments: Sequence[TrackSegment], track_mapping: TrackMapping) -> tuple[TrackSegment, ...]:
        return tuple(self._instead.get(segment.track, segment) for segment in track_mapping.map_segments(segments))

    def _find(self, segments: Sequence[TrackSegment], track_mapping: TrackMapping) -> ReviewedEgg | None:
        return _holder(self._all(), self._now(segments, track_mapping))

    def _all(self) -> list[ReviewedEgg]:
        return [self.eggs[number] for number in sorted(self.eggs)]

    def _put(self, egg: ReviewedEgg) -> None:
        self.eggs[egg.number] = egg


def _within(segments: Sequence[TrackSegment], chosen: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
    """What of the segments is also in the chosen ones."""
    return tuple(
        segment.model_copy(update={"first": max(segment.first, one.first), "last": min(segment.last, one.last)})
        for segment in segments
        for one in chosen
        if segment.shared_frame_count(one)
    )


def _without(segments: Sequence[TrackSegment], chosen: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
    """What of the segments is in none of the chosen ones."""
    left = list(segments)
    for one in chosen:
        parts: list[TrackSegment] = []
        for segment in left:
            if not segment.shared_frame_count(one):
                parts.append(segment)
                continue
            ends = ((segment.first, one.first - 1), (one.last + 1, segment.last))
            parts += [segment.model_copy(update={"first": begin, "last": end}) for begin, end in ends if begin <= end]
        left = parts
    return tuple(left)
